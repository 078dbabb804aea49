"""Pages: drift and repeatability."""
