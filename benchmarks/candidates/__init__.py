"""Judges that are measured beside the product's and are not part of it yet."""
