"""Pooling models: from an effect table to a result with all its notes."""
