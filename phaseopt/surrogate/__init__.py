"""Torque everywhere, and how sure: a Gaussian process over (rpm, load, icl, ecl).

`kernels` gives covariances, `exact` conditions on scattered readings by Cholesky, `fitting` chooses the
hyperparameters, `validation` tells how far to trust the result. Nothing here knows what an engine is: inputs are
columns of numbers, and torque is the reading in N·m.
"""
