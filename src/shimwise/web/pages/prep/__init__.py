"""Pages: preps and readings."""
