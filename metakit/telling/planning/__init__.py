"""What a protocol planned, and what became of every line of it."""
