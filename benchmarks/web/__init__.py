"""The pages under load, killed, and opened cold: ``python -m benchmarks.web``."""
