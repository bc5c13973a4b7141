"""The closed part of a cycle, from intake closing to exhaust opening, run again with burning earlier or later.

What the valves trap hardly depends on when the charge burns, so pressure, end gas and work at another combustion
phasing follow from the trapped charge alone: a thousandth of the cost of a simulated cycle. What is left out: later
burning leaves a hotter exhaust, which moves its waves, and more pressure to blow down.

The end gas is the part of the charge that the flame has not reached. Until the spark it is at the mean temperature;
after it, it is squeezed by the pressure of the whole without heat from outside (an adiabatic core: the hottest part of
it, which is where knock begins).
"""

import math
from typing import NamedTuple

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.elementary import exp, log
from phaseopt.cycle.lanes import LANES, kernel
from phaseopt.values.arrays import FloatArray

STEP = 1.0  # crank degrees


class Charge(NamedTuple):
    """What the intake valves trapped: speed [rpm], mass [kg], residual gas fraction, pressure [Pa], temperature [K].

    `opens` is the crank angle at which the exhaust opens [deg after gas-exchange TDC; firing is at 360].
    """

    rpm: float
    mass: float
    residual: float
    pressure: float
    temperature: float
    opens: float


class ClosedPart(NamedTuple):
    """The closed part of a point at `LANES` combustion phasings.

    By phasing (LANES,): work [J] of a cylinder, peak pressure [Pa], burn duration [crank degrees]. By step and phasing
    (m, LANES): pressure [Pa] and end-gas temperature [K] at the middle of the step, and the share burned by then.
    `step` [s] is its length.
    """

    work: FloatArray
    peak: FloatArray
    duration: FloatArray
    pressure: FloatArray
    temperature: FloatArray
    burned: FloatArray
    step: float


@kernel
def squeeze(z: FloatArray, gas: FloatArray, end_gas: FloatArray, seen: FloatArray, until: float) -> None:
    """The end gas over the step to angle `until` that cylinder `z` has just made, lane by lane.

    Isentropic: d theta / theta = dp / p over the heat capacity in units of R, taken at the step's middle. `end_gas` is
    its theta, `seen` takes pressure and temperature.
    """
    n = LANES
    a0, a1, b0, b1, r0, r1 = gas[0], gas[1], gas[2], gas[3], gas[10], gas[11]
    for k in range(LANES):
        y = z[cyl.RESIDUAL * n + k]
        before, p0, p1 = end_gas[k], z[cyl.OLD_P * n + k], z[cyl.PRESSURE * n + k]
        rise = log(p1 / p0)
        capacity, slope = 1.0 + a0 + a1 * y, b0 + b1 * y
        middle = before * (1.0 + 0.5 * rise / (capacity + slope * before))
        after = before * exp(rise / (capacity + slope * middle))
        after = after if until > z[cyl.START * n + k] else z[cyl.THETA * n + k]
        end_gas[k] = after
        seen[k] = 0.5 * (p0 + p1)
        seen[n + k] = 0.5 * (before + after) / (r0 + r1 * y)


@kernel
def march_closed(
    z: FloatArray, gas: FloatArray, angle: FloatArray, volume: FloatArray, wall: FloatArray, seen: FloatArray
) -> None:
    """March a shut cylinder through crank angles (m + 1,) with volumes (m + 1,) [m^3] and wall areas (m,) [m^2].

    `seen` (m, 2 lanes) takes pressure and end-gas temperature at the middle of each step.
    """
    end_gas = z[cyl.THETA * LANES : (cyl.THETA + 1) * LANES].copy()
    for i in range(len(wall)):
        width = angle[i + 1] - angle[i]
        cyl.burn(z, angle[i], width, volume[i])
        cyl.step_cylinder(z, gas, volume[i], volume[i + 1], wall[i], False)
        squeeze(z, gas, end_gas, seen[i], angle[i + 1])


def run_closed(config: CycleConfig, charge: Charge, half_burned: FloatArray) -> ClosedPart:
    """The closed part of a point at `LANES` combustion phasings, `half_burned` [deg after firing TDC] (LANES,)."""
    gas = config.gas.kernel
    size = charge.mass * charge.temperature * (gas[10] + gas[11] * charge.residual) / charge.pressure
    angle = _angles(config, size, charge.opens)
    volume, _ = chamber(config, angle)
    _, wall = chamber(config, 0.5 * (angle[1:] + angle[:-1]))
    z = cyl.at_rest(gas, size, charge.pressure, charge.temperature, charge.residual)
    step = float(angle[1] - angle[0]) / (6.0 * charge.rpm)
    z[cyl.STEP], z[cyl.STIR] = step, cyl.STIR_SHUT
    z[cyl.PISTON] = 2.0 * config.stroke * 1e-3 * charge.rpm / 60.0
    z[cyl.WALL : cyl.FIELDS] = np.array(cyl.given(config, charge.rpm))[:, None]
    z[cyl.HALF] = half_burned
    flat, seen = z.reshape(-1), np.zeros((len(wall), 2 * LANES))
    for k in range(LANES):
        cyl.close_intake(flat, gas, size, k)
    march_closed(flat, gas, angle, volume, wall, seen)
    middle = 0.5 * (angle[1:] + angle[:-1])[:, None]
    share = np.maximum((middle - z[cyl.START]) / z[cyl.DURATION], 0.0)
    burned = 1.0 - np.exp(-cyl.WIEBE_A * share**3)
    return ClosedPart(z[cyl.WORK], z[cyl.PEAK], z[cyl.DURATION], seen[:, :LANES], seen[:, LANES:], burned, step)


def _angles(config: CycleConfig, size: float, opens: float) -> FloatArray:
    """Crank angles from where the chamber has `size` [m^3] on the compression stroke to where the exhaust opens."""
    stroke = np.linspace(180.0, 360.0, 721)
    volume, _ = chamber(config, stroke)
    closes = float(np.interp(-size, -volume, stroke))
    return np.linspace(closes, opens, max(math.ceil((opens - closes) / STEP), 1) + 1)
