"""What the house remembers: drift, repeatability, memory."""
