"""Pages: guided adjustments."""
