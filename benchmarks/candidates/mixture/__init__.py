"""The mixture model of a prep: unknowns healthy, off or wild, readings as intervals, one posterior."""
