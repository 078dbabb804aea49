"""The live meter on feeds of a world apart: cells, seeds and a table."""
