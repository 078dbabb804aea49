"""Frames to microns: find the chart, measure its stars, and fit the through-focus peak."""

from shimwise.extras import require_extra

require_extra("frames", "Measuring frames")
