"""An engine simulation of other parts than the program's, to judge it from outside. It imports nothing of the package.

What it is
    One-dimensional finite volumes with AUSM+ fluxes, van Albada's limiter on pressure, velocity, temperature and
    burned share, Heun's two stages, and ends after Benson's constant-pressure models, each solved with the wave that
    arrives. The flux that leaves one volume enters the next, so mass and energy are kept to rounding (`mass_error`,
    `energy_error` of a `Point`; about 1e-14 of a cycle's). Air and burned gas have cp over temperature. Wall friction
    is Blasius and von Karman, wall heat Colburn's analogy. Boxes (plenum, airbox, collector, silencer) are volumes
    in which velocity is lost; a merge collector may keep a share of it. Cylinders are one zone each and may differ.
Two uses, kept apart by `laws`
    `EQUAL_LAWS`: heat, burning and friction are given numbers (Woschni, Wiebe, Chen-Flynn), so that a difference is
    one of gas dynamics. `OWN_LAWS`: Hohenberg's heat transfer, a burn of two Wiebe parts whose angle depends on
    piston speed and residual gas with half burned at 8° after TDC, friction over piston speed. They judge timing.
What it leaves out
    Part load, knock, fuel vapour in the intake (fuel enters as it burns), the effect of mixture on burning, bends
    other than as lost heads, angles between pipes at a junction, waves inside a box, leakage, crevices, a wall that
    warms up, and dynamics of the valve train.
Sources, from memory unless a test compares with them
    AUSM+ (Liou 1996, 2006), Toro's Riemann problems (2009), Benson's constant-pressure valve model (1982), Levine and
    Schwinger (1948), Woschni (SAE 670931), Hohenberg (SAE 790825), Chen and Flynn (SAE 650733), Barnes-Moss (1975).
Maps
    `family()` describes 48 invented engines. `maps.npz` holds torque, filling and residual gas of each over five speeds
    and four by four timings, with its own laws, made by `python -m outside.engine.maps` in `tests` (ten minutes of one
    processor). It also holds a digest of the engine's code: whoever changes that makes the maps anew, or a test fails.
"""

from .describe import EQUAL_LAWS, OWN_LAWS, Box, Engine, Laws, Pipe, Section, Valve
from .family import family
from .solve import Point, Run, torque, torque_map

__all__ = [
    "EQUAL_LAWS", "OWN_LAWS", "Box", "Engine", "Laws", "Pipe", "Point", "Run", "Section", "Valve", "family", "torque",
    "torque_map",
]  # fmt: skip
