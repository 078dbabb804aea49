"""Verdicts, plans and sweeps as JSON, with their schemas."""
