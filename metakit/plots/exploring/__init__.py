"""Figures that ask why studies differ and whether an answer would survive."""
