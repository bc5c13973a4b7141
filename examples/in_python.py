"""The whole job in Python, for a notebook: a name at the end of a cell shows what was found.

    python examples/in_python.py PROJECT.toml DIRECTORY

The first run simulates the engine, which takes minutes; the grid is kept beside the project. Without [cycle] in the
project leave `simulate` out, and fit torque to the points alone: `po.fit_torque(project, points)`.
"""

import sys

import phaseopt as po

file, directory = sys.argv[1:] or ["examples/hillclimb/project.toml", "out/in_python"]

project = po.load_project(file)
limits = po.phase_limits(project)  # geometry alone: safe boxes, clamps by speed [crank degrees], gaps [mm]
points = po.reduce_logs(project)  # torque points of the pulls with their errors [N·m]
prior = po.simulate(project, points)  # the engine, calibrated to them: torque over rpm, load and both centrelines
model = po.fit_torque(project, points, prior)  # torque anywhere, and its standard deviation [N·m]
found = po.search_tables(project, limits, model)  # the best tables, and the bound that no others can beat [N·m]
verdict = po.check_tables(project, found.tables)  # cells, between cells, full travel: judged anew, by bound
print(limits, points, prior, model, found, verdict, sep="\n\n")

build = po.build(project, found=found)  # with what the tables gain, what holds them, what each limit costs
print("", build, *po.write_build(directory, build), sep="\n")

tables = po.read_tables(project, *(f"{directory}/{side}_phase.csv" for side in ("intake", "exhaust")))
print("\nclosest:", po.check_tables(project, tables).worst)  # of all cells; check it by hand before anything turns
tables.intake.plot()  # xarray's own plot, for axes and units are in the arrays; so are those of build.torque["gain"]
