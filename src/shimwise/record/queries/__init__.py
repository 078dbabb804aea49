"""Reads and writes, a module for each kind of row."""
