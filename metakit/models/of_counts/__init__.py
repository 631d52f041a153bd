"""Models of raw counts and rates."""
