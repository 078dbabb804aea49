"""Commands on a prep."""
