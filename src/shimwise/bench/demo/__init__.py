"""The demonstration on an invented bench."""
