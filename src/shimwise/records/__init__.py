"""What comes in from files: readings and kits, read whole or refused with the place that is wrong."""

from shimwise.records.errors import KitError, ReadingsFileError
from shimwise.records.kit import Kit, KitBody, KitLens
from shimwise.records.kit_file import parse_kit, read_kit
from shimwise.records.readings import Progress, ReadingsFile, parse_readings, read_readings

__all__ = [
    "Kit",
    "KitBody",
    "KitError",
    "KitLens",
    "Progress",
    "ReadingsFile",
    "ReadingsFileError",
    "parse_kit",
    "parse_readings",
    "read_kit",
    "read_readings",
]
