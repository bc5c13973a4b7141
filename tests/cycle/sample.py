"""An invented engine to try the simulation on."""

from dataclasses import replace

import numpy as np

from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig, Lift, Pipe, PipePiece
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.valves import Valve

MESH = Mesh(40.0, 60.0, 120.0)  # coarse
# a small grid: rpm, load, icl, ecl
AXES = Axes(
    np.array([3000.0, 4500.0, 6000.0, 7500.0]),
    np.array([60.0, 98.0]),
    np.array([105.0, 112.0]),
    np.array([110.0]),
)
CD_IN = (
    (0.0, 0.66),
    (0.05, 0.70),
    (0.10, 0.69),
    (0.15, 0.67),
    (0.20, 0.65),
    (0.25, 0.64),
    (0.30, 0.63),
    (0.35, 0.62),
)
CD_OUT = (
    (0.0, 0.68),
    (0.05, 0.73),
    (0.10, 0.71),
    (0.15, 0.68),
    (0.20, 0.66),
    (0.25, 0.65),
    (0.30, 0.64),
    (0.35, 0.63),
)


def lobe(peak: float, duration: float) -> Lift:
    """Lift over crank angle: a smooth lobe with `duration` degrees above 0.4 mm, and its ramps."""
    x = np.linspace(-1.0, 1.0, 721)
    shape = (1.0 - np.abs(x) ** 2.3) ** 2.2
    half = np.interp(-0.4 / peak, -shape[360:], x[360:])
    return Lift(x * duration / 2.0 / half, peak * shape)


def sample() -> CycleConfig:
    """A 1.8 litre four."""
    return CycleConfig(
        bore=81.5, stroke=86.0, rod=137.0, compression_ratio=11.8, firing_order=(1, 3, 4, 2),
        intake_valve=Valve(32.5, 28.5, 5.5, 1.2, 45.0, CD_IN, CD_OUT),
        exhaust_valve=Valve(27.5, 24.0, 5.5, 1.5, 45.0, CD_IN, CD_OUT),
        intake_lift=lobe(10.5, 262.0), exhaust_lift=lobe(9.6, 252.0),
        runner=Pipe((PipePiece(230.0, 46.0, 43.0), PipePiece(95.0, 43.0, 40.0)), 325.0, wall_heat=1.5),
        primary=Pipe((PipePiece(75.0, 34.0, 38.0), PipePiece(480.0, 40.0, 40.0)), 750.0, wall_heat=1.5),
        secondary=Pipe((PipePiece(420.0, 46.0, 46.0),), 700.0),
        tail=Pipe((PipePiece(1900.0, 60.0, 60.0),), 550.0),
        plenum_volume=4.5,
    )  # fmt: skip


def single() -> CycleConfig:
    """One cylinder of it with short pipes: quick to simulate where any engine will do."""
    return replace(
        sample(),
        firing_order=(1,),
        runner=Pipe((PipePiece(160.0, 43.0, 40.0),), 325.0),
        primary=Pipe((PipePiece(200.0, 38.0, 40.0),), 750.0),
        secondary=None,
        tail=Pipe((PipePiece(200.0, 42.0, 42.0),), 550.0),
        plenum_volume=1.5,
    )


def untuned() -> CycleConfig:
    """The same with stubs into boxes for pipes: waves do not help or hinder, as the rules of the trade suppose."""
    return replace(
        sample(),
        runner=Pipe((PipePiece(110.0, 44.0, 40.0),), 325.0),
        primary=Pipe((PipePiece(130.0, 36.0, 40.0),), 750.0),
        secondary=None,
        tail=Pipe((PipePiece(200.0, 90.0, 90.0),), 550.0),
        plenum_volume=20.0,
        collector_volume=10.0,
    )
