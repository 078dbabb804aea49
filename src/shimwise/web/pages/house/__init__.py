"""Pages: units, lists, settings."""
