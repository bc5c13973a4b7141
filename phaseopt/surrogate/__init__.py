"""Torque everywhere, and how sure: a Gaussian process over (rpm, load, icl, ecl).

`kernels` gives covariances, `hyperparameters` the numbers in them and `beliefs` what is believed of those beforehand,
`prior` a simulated grid as a function and `trend` its scale and shift, `conditioning` factors the covariance of the
readings, `exact` predicts, `fitting` chooses the hyperparameters, `validation` tells how far to trust the result.
Nothing here knows what an engine is: inputs are columns of numbers, and torque is the reading in N·m.
"""
