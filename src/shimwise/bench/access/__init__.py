"""Who may reach the pages from other devices."""
