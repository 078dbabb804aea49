"""Pages of the people: the table of roles, signing in, and one's own PIN."""
