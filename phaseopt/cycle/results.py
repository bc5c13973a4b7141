"""What a cycle came to: from the cylinders' sums to torque and the rest."""

import math
from dataclasses import dataclass, fields

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.friction import fmep
from phaseopt.cycle.gas import Gas
from phaseopt.cycle.lanes import Flags, Ints
from phaseopt.cycle.network import Network
from phaseopt.values.arrays import FloatArray

AIR = 287.05  # gas constant of air [J/(kg K)]


@dataclass(frozen=True)
class Results:
    """Operating points' results, one value a point, SI units.

    torque [N m], mean effective pressures [Pa] (imep over the whole cycle, pmep the part of the exhaust and intake
    strokes), volumetric efficiency referred to outside air, residual fraction, trapped mass of a cylinder [kg],
    pressure [Pa] and temperature [K] at intake closing, peak pressure [Pa], mean exhaust temperature at the valve by
    energy flow [K], fuel [kg/kWh] (nan without power).
    `half_burned` is the angle at which half was burned [deg after firing TDC], `earliest` that at which knock allows it
    (nan where knock was not looked at, -inf where it allows any). `settled` False marks points that did not settle;
    `cycles` is how many each took.
    """

    torque: FloatArray
    imep: FloatArray
    pmep: FloatArray
    fmep: FloatArray
    volumetric_efficiency: FloatArray
    residual_fraction: FloatArray
    trapped_mass: FloatArray
    closing_pressure: FloatArray
    closing_temperature: FloatArray
    half_burned: FloatArray
    earliest: FloatArray
    peak_pressure: FloatArray
    exhaust_temperature: FloatArray
    fuel_per_kwh: FloatArray
    settled: Flags
    cycles: Ints

    @classmethod
    def empty(cls, count: int) -> "Results":
        """Room for so many points."""
        values = {name: np.full(count, np.nan) for name in NAMES}
        return cls(settled=np.zeros(count, dtype=bool), cycles=np.zeros(count, dtype=np.int64), **values)

    def only(self, chosen: slice | list[int]) -> "Results":
        """Some of the points."""
        return Results(*(getattr(self, f.name)[chosen] for f in fields(self)))

    def put(self, places: Ints | list[int], of: "Results") -> None:
        """Copy the values of `of`, as many as places or one for all."""
        for f in fields(self):
            getattr(self, f.name)[places] = getattr(of, f.name)


def mean_state(net: Network, field: int) -> FloatArray:
    """A field of the cylinders' state, mean over cylinders, by lane."""
    return np.asarray(net.cylinders[:, field].mean(axis=0))


def filling_and_work(config: CycleConfig, gas: Gas, net: Network) -> FloatArray:
    """Volumetric efficiency and imep [Pa], (2, lanes): the two that must settle."""
    swept = config.displacement / config.cylinders
    density = config.ambient_pressure * 1e3 / (AIR * config.ambient_temperature)
    air = mean_state(net, cyl.INTAKE) * gas.air_share
    return np.stack([air / (density * swept), mean_state(net, cyl.WORK) / swept])


def results(config: CycleConfig, gas: Gas, net: Network, rpm: FloatArray, settled: Flags, cycles: Ints) -> Results:
    """Results of all lanes after a cycle; `settled` and `cycles` as given."""
    swept = config.displacement / config.cylinders
    air, imep = filling_and_work(config, gas, net)
    peak = mean_state(net, cyl.PEAK)
    friction = fmep(config.friction, peak, 2.0 * config.stroke * 1e-3 * rpm / 60.0)
    torque = (imep - friction) * config.displacement / (4.0 * math.pi)
    k = gas.kernel
    h = mean_state(net, cyl.OUT_ENERGY) / np.maximum(mean_state(net, cyl.OUT_MASS), 1e-12)
    a, b = k[0] + k[1] + 1.0, k[2] + k[3]
    exhaust = 2.0 * h / (a + np.sqrt(np.maximum(a * a + 2.0 * b * h, 0.0))) / (k[10] + k[11])
    fuel = mean_state(net, cyl.INTAKE) * gas.fuel_share * config.cylinders  # kg a cycle
    energy = 4.0 * math.pi * torque / 3.6e6  # kWh a cycle
    specific = np.where(energy > 0.0, fuel / np.where(energy > 0.0, energy, 1.0), np.nan)
    return Results(
        torque=torque,
        imep=imep,
        pmep=mean_state(net, cyl.PUMPING) / swept,
        fmep=friction,
        volumetric_efficiency=air,
        residual_fraction=mean_state(net, cyl.RESIDUAL),
        trapped_mass=mean_state(net, cyl.TRAPPED),
        closing_pressure=mean_state(net, cyl.REF_P),
        closing_temperature=mean_state(net, cyl.REF_T),
        half_burned=np.full(len(rpm), config.half_burned),
        earliest=np.full(len(rpm), np.nan),
        peak_pressure=peak,
        exhaust_temperature=exhaust,
        fuel_per_kwh=specific,
        settled=settled,
        cycles=cycles,
    )


NAMES = tuple(f.name for f in fields(Results) if f.name not in ("settled", "cycles"))
