"""The whole house: spreads and persons learned from all signed preps, and the network of its units."""
