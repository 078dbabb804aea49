"""People, roles, and signing in, for programs."""
