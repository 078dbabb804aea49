"""Interface: preps in and out."""
