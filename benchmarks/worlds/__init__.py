"""Simulated worlds made apart from the estimators: from the trade and physics, each effect switchable."""
