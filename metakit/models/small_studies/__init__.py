"""Small-study effects: tests and adjustments."""
