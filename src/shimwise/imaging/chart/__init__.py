"""The chart in a frame: layout, markers, geometry, pose."""
