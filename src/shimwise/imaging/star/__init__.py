"""A spoke star in a frame: rings, phase, modulation."""
