"""Shimwise: from focus readings to who is off, by how many microns, and what to turn or shim."""

__version__ = "0.3.0"
