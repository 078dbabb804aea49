"""Sweeps of the world made apart, measured as ``shimwise sweep`` measures them, beside the usual rivals."""
