"""The command line: a thin door."""
