"""Holding the load: throttles and what is behind them are moved once a cycle until mean pressure there is the load."""

import math

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle import ducts, march
from phaseopt.cycle.lanes import LANES, Array
from phaseopt.cycle.network import Network
from phaseopt.cycle.orifice import nozzle_squared


def _through(net: Network, pressure: Array) -> Array:
    """Flow through a unit of throttle area [kg/(m^2 s)] from outside to `pressure`, by lane."""
    space = net.arrays.spaces[0].reshape(-1, LANES)
    squares = [nozzle_squared(space[0, k], space[1, k], pressure[k], space[4, k]) for k in range(LANES)]
    return np.asarray(np.sqrt(np.array(squares)))


def fill_intake(net: Network, times: Array) -> None:
    """Multiply the contents of throttled volumes and runners by `times` (lane by lane), their temperature unchanged."""
    times = np.clip(times, 0.3, 3.0)
    net.throttled[:, [march.V_MASS, march.V_INNER, march.V_BURNED, march.V_P, march.V_OLD_P]] *= times
    for name in net.names:
        if name.startswith("runner"):
            pipe = net.rows[net.pipe(name)]
            for f in (ducts.RHO, ducts.P, ducts.ENERGY):
                pipe[:, f] *= times
            pipe[:, ducts.SPECIFIC] /= times


def set_out(net: Network, displacement: float, rpm: Array, load: Array, lane: int) -> None:
    """A first throttle in `lane` for about the air that its load [Pa] takes, and the intake at its pressure."""
    v = net.throttled
    space = net.arrays.spaces[0].reshape(-1, LANES)[:, lane]
    share = max(0.9 * load[lane] / space[0] - 0.1, 0.1)  # volumetric efficiency to be expected
    through = math.sqrt(nozzle_squared(space[0], space[1], load[lane], space[4]))
    guess = share * displacement * space[0] / space[1] * rpm[lane] / 120.0 / through / len(v)
    if not 0.6 < v[0, march.V_THROTTLE, lane] / guess < 1.6:
        v[:, march.V_THROTTLE, lane] = guess
    times = np.ones(LANES)
    times[lane] = load[lane] / v[:, march.V_P, lane].mean()
    fill_intake(net, times)


def hold(net: Network, steps: int, load: Array) -> Array:
    """Correct throttles and intake after a cycle; returns how far mean pressure was from the load, relative.

    Throttles of their own for every cylinder sit on one shaft: they are equally open.
    """
    v = net.throttled
    mean = v[:, march.V_SUM_P].mean(axis=0) / steps
    came, left = v[:, march.V_IN].sum(axis=0), v[:, march.V_OUT].sum(axis=0)
    # judged by what the cylinders take: plenum and runners also swallow or give while pressure moves
    taken = net.cylinders[:, cyl.INTAKE].sum(axis=0)
    wanted = taken / np.maximum(came, 1e-12) * load / mean
    outside = 0.999 * net.arrays.spaces[0, :LANES]
    eased = _through(net, load) / _through(net, np.minimum(mean, outside))
    v[:, march.V_THROTTLE] *= np.clip(wanted / eased, 0.4, 2.5)
    # by the cycle's end pressure has drifted half the cycle's imbalance beyond its mean
    now = v[:, march.V_P].mean(axis=0)
    drift = (came - left) / v[:, march.V_MASS].sum(axis=0) * now
    fill_intake(net, 1.0 + (load - mean - 0.5 * drift) / now)
    return np.asarray(np.abs(load / mean - 1.0))
