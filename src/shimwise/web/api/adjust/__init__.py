"""Interface: guided adjustments."""
