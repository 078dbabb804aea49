"""From a verdict to what is done about it: short → add, deep → take away."""
