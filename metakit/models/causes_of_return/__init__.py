"""Shares of causes that add up to a whole."""
