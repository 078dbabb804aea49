"""Interface: drift and repeatability."""
