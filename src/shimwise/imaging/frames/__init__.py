"""Reads the frames of a sweep into linear light: stills, raw files and clips, as far as they are whole."""
