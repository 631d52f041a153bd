"""Figures of a unit's page."""
