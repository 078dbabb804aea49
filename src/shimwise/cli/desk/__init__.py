"""Commands on files alone."""
