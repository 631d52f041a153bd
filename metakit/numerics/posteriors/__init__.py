"""Kernels of posteriors, by deterministic quadrature."""
