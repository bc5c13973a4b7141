"""Torque by measurement: logs in, torque points over speed, load and true centrelines out.

`logs` reads the files of a pull: `parts` makes text or MDF (`mdf`, `clock_times`) into channels in the program's units
(`column_units`), `recordings` and `clock_offset` join files, `time_base` brings channels to one, `plausibility` and
`log_quality` judge the result.

`weather` corrects to standard air, `phases` turns logged phases into true ones and checks their zero, `stretches` says
which rows of a log make one point, `means` gives a point's torque and its standard error, and `pulls` runs them all.
`repeatability` judges what pulls at one timing tell of the day, `phaser_response` how the phasers follow their
commands.
"""
