"""Charts drawn once for page and paper."""
