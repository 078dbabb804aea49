"""Accuracy and speed of Shimwise, measured on demand: ``make bench``."""
