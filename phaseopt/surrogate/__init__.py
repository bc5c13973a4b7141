"""Torque everywhere, and how sure: a Gaussian process over (rpm, load, icl, ecl).

`kernels` gives covariances, `hyperparameters` the numbers in them and `beliefs` what is believed of those beforehand,
`prior` a simulated grid as a function and `trend` its scale and shift, `conditioning` factors the covariance of the
readings, `surface` is what every torque model answers, `exact` and, for many thousands of readings, `induced` are such
models, `factored` makes their deviation over a large table cheap, `fitting` chooses the hyperparameters (`descent`),
`validation` tells how far to trust the result. `gridded` is the same process on a full grid, solved by its axes, and
`grid_model` the torque surface made of it, for projects that have torque in that form
(`torque_model/supplied_grid.py` reads it).
Nothing here knows what an engine is: inputs are columns of numbers, and torque is the reading in N·m.
"""
