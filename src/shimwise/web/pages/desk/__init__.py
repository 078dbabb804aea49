"""Pages: optics, charts, plan."""
