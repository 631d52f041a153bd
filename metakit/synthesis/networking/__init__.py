"""The planned networks of a review."""
