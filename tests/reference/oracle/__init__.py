"""The independent reference: published formulas in 50-digit arithmetic.

Nothing here imports metakit, and nobody who writes a kernel of metakit writes here: an oracle that
shares an author or a line of code with the thing it judges proves little. Speed does not matter,
so every quantity is computed by the most direct route that the definition allows.
"""
