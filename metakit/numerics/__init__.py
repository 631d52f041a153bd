"""Kernels: numpy and scipy.special only; studies on the last axis, batches before it."""
