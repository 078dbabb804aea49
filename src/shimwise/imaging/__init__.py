"""Frames to microns: find the chart, measure its stars, and fit the through-focus peak."""
