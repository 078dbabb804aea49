"""Interface: optics, charts, plan."""
