"""Reporting checklists and cited sources as files."""
