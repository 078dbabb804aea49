"""Backup, restore and consistency check of a whole record."""
