"""What comes in from files: readings and kits, read whole or refused with the place that is wrong."""

from shimwise.files.errors import KitError, ReadingsFileError
from shimwise.files.kit import Kit, KitBody, KitLens
from shimwise.files.kit_file import parse_kit, read_kit
from shimwise.files.readings import Progress, ReadingsFile, parse_readings, read_readings

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
