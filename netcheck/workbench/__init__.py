"""Between the recognised circuit and the ranking: what to drive, solve and search."""
