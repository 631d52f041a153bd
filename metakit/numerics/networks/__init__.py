"""Kernels of networks."""
