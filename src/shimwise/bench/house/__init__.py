"""The house: bodies, lenses, sets, shims, settings."""
