"""How well people repeat: pooled repeatability and gauge studies."""
