"""Two servers on one PostgreSQL: killed, heard, and the database restarted under them."""
