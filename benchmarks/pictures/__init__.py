"""Repairs and preps in landings by picture, simulated."""
