"""Interface: preps and readings."""
