"""Guided adjustments."""
