"""The effect measures, one module a family."""
