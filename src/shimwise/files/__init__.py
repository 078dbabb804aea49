"""What comes in from files: readings and kits, read whole or refused with the place that is wrong."""
