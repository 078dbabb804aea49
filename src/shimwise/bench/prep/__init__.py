"""A prep: open it, tape set-ups, take readings, see each landing at once."""
