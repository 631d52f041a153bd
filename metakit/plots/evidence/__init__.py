"""Figures of what a review holds: selection, appraisal, directions, gaps, causes of return."""
