"""Workbooks of a review: what their lists offer, the protocol, copies with comments."""
