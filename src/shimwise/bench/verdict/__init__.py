"""Judge a prep now, what to read next, and the re-check."""
