"""Files alone: judge, plan, optics, charts."""
