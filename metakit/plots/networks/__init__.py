"""Figures of networks of techniques."""
