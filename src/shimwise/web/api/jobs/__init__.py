"""Addresses of the work beside the pages."""
