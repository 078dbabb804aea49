"""Pages: signatures and papers."""
