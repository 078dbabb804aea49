"""Reports in the terminal, with the rail."""
