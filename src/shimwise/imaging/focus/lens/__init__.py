"""What is known of the lens: its transfer through focus by the exact law, and the first fit by it."""
