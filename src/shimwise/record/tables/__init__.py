"""The tables, their column types, and the frozen rows they map to."""
