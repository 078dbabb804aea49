"""The pages and the JSON interface: a thin door over the bench."""
