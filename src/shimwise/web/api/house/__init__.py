"""Interface: units, lists, settings."""
