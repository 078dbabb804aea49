"""What to read: candidates and the plan of a check."""
