"""Commands on the record."""
