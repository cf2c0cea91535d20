"""Loops compiled by numba: the order of elimination, the tree of fronts, its numbers. Nothing here is needed.

`kernels` decides whether these are used; numpy's batched linear algebra gives the same, and tests hold the two to each other.
BLAS is not called from here: functions that hold its address cannot be cached.
"""
