"""Interface: sweeps."""
