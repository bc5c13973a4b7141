"""Torque by measurement: logs in, torque points over speed, load and true centrelines out.

`logs` reads files, `weather` corrects to standard air, `phases` turns logged phases into true ones and checks their
zero, `stretches` says which rows of a log make one point, `means` gives a point's torque and its standard error, and
`pulls` runs them all. `repeatability` judges what pulls at one timing tell of the day, `phaser_response` how the
phasers follow their commands, and `day` puts these together.
"""
