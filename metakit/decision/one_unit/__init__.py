"""What one unit can expect."""
