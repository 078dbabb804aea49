"""The exact law of defocus and the templates made from it."""
