"""The mixture model of a prep: every unknown healthy, off or wild, every reading an interval, one posterior."""
