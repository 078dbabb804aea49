"""Interface: signatures and papers."""
