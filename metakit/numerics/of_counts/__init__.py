"""Kernels of models of counts."""
