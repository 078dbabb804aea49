"""Sweeps: measure frames beside the pages and keep the result."""
