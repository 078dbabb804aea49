"""Commands on the house."""
