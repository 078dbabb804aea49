"""From modulations to best focus, tilt and flags."""
