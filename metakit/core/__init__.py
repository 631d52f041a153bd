"""Shared shapes: registries, notes, effect tables, results, records, and the bibliography."""
