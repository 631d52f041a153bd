"""Consistency rules of records and protocols, one module a family."""
