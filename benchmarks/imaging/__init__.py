"""Invented through-focus sweeps with known truth, and how near the measuring code comes to it."""
