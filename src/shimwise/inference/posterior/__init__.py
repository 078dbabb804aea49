"""Posteriors: estimates, faults, and what a further reading adds."""
