"""The space above a piston over crank angle."""

import math

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.values.arrays import FloatArray


def chamber(config: CycleConfig, angle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Volume [m^3] and wall area [m^2] of a cylinder over crank angle [deg] (0 at either top dead centre).

    Slider-crank with gudgeon-pin offset (any machine-dynamics text); flat chamber and piston crown.
    """
    crank, turn = config.stroke / 2, np.radians(angle)
    height = crank * np.cos(turn) + np.sqrt(config.rod**2 - (crank * np.sin(turn) - config.pin_offset) ** 2)
    top = math.sqrt((config.rod + crank) ** 2 - config.pin_offset**2)
    bottom = math.sqrt((config.rod - crank) ** 2 - config.pin_offset**2)
    piston = math.pi / 4 * config.bore**2
    clearance = piston * (top - bottom) / (config.compression_ratio - 1.0)
    volume = clearance + piston * (top - height)
    area = 2.1 * piston + math.pi * config.bore * (clearance / piston + top - height)
    return volume * 1e-9, area * 1e-6
