"""Two epochs: their common datum, and which marks moved."""
