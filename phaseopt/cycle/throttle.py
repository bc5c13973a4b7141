"""Holding the load: throttles and what is behind them are moved once a cycle until mean pressure there is the load.

A throttle that fills a volume is an orifice (march.py), of any area. One in line with its pipe is a
loss (butterfly.py); it opens no further than its spindle and plate let it, and a load of the ambient pressure is just
that, wide open: the pressure behind is then a result.
"""

import math

import numpy as np

from phaseopt.cycle import butterfly, ducts, march
from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.junction import BRANCH, FACE_P
from phaseopt.cycle.lanes import LANES
from phaseopt.cycle.network import Network
from phaseopt.cycle.orifice import nozzle_squared
from phaseopt.values.arrays import FloatArray

LEAST_MOVE, ANSWERS = 0.02, (0.15, 1.5)  # of logarithms of throttle area, and of pressure over it


def _through(net: Network, pressure: float, lane: int) -> float:
    """Flow through a unit of throttle area [kg/(m^2 s)] from outside to `pressure` [Pa]."""
    space = net.arrays.spaces[0].reshape(-1, LANES)[:, lane]
    return math.sqrt(max(nozzle_squared(space[0], space[1], pressure, space[4]), 1e-6))


def _open(net: Network, area: FloatArray) -> None:
    """Set throttles to an area [m^2] each, by lane, as far as they open."""
    if len(net.in_line):
        net.throttles[:, butterfly.PHI] = np.minimum(area / net.bores[:, None], butterfly.PHI_OPEN)
    else:
        net.throttled[:, march.V_THROTTLE] = area


def _opened(net: Network) -> FloatArray:
    """Areas of the throttles (throttles, lanes) [m^2]."""
    if len(net.in_line):
        return net.throttles[:, butterfly.PHI] * net.bores[:, None]
    return net.throttled[:, march.V_THROTTLE].copy()


def fill_intake(net: Network, times: FloatArray) -> None:
    """Multiply what is in throttled volumes and behind throttles by `times` (lane by lane), temperature unchanged."""
    times = np.clip(times, 0.3, 3.0)
    net.throttled[:, [march.V_MASS, march.V_INNER, march.V_BURNED, march.V_P, march.V_OLD_P]] *= times
    for name in net.filled:
        pipe = net.rows[net.pipe(name)]
        for f in (ducts.RHO, ducts.P, ducts.ENERGY):
            pipe[:, f] *= times
        pipe[:, ducts.SPECIFIC] /= times


def set_out(net: Network, displacement: float, rpm: float, load: float, lane: int) -> None:
    """From rest: a first throttle in `lane` for about the air that a load [Pa] takes at a speed [rpm]."""
    area, space = _opened(net), net.arrays.spaces[0].reshape(-1, LANES)[:, lane]
    share = max(0.9 * load / space[0] - 0.1, 0.1)  # volumetric efficiency to be expected
    taken = share * displacement * space[0] / space[1] * rpm / 120.0
    area[:, lane] = taken / _through(net, load, lane) / len(area)
    _open(net, area)
    net.throttles[:, [butterfly.OLD_PHI, butterfly.ANSWER], lane] = 0.0
    fill_intake(net, np.where(np.arange(LANES) == lane, load / space[0], 1.0))


def move(net: Network, speed: float, before: float, load: float, lane: int) -> None:
    """From a state settled at a load `before` [Pa]: throttle and intake for another load, at `speed` times the speed.

    Air is taken in proportion to both. A throttle that is wrong at first cools or heats the plenum, for many cycles.
    """
    area, eased = _opened(net), _through(net, before, lane) / _through(net, load, lane)
    # each cylinder draws through its own in pulses, and in between the runner fills: mean pressure answers half as much
    area[:, lane] *= speed * (load / before * eased) ** (2.0 if len(net.in_line) else 1.0)
    _open(net, area)
    net.throttles[:, [butterfly.OLD_PHI, butterfly.ANSWER], lane] = 0.0
    fill_intake(net, np.where(np.arange(LANES) == lane, load / before, 1.0))


def _by_secant(net: Network, mean: FloatArray, load: FloatArray, times: FloatArray) -> FloatArray:
    """Factor on throttles in line: as pressure answered their last move, or, without one, `times`.

    The answer is that of logarithms. A small move says little of it; a cycle's after-effect may look like one.
    """
    v = net.throttles
    phi, old_phi, old_mean, old = (
        v[0, f] for f in (butterfly.PHI, butterfly.OLD_PHI, butterfly.OLD_MEAN, butterfly.ANSWER)
    )
    before = np.where(old_phi > 0.0, old_phi, phi)
    moved = np.log(phi / before)
    seen = np.abs(moved) > LEAST_MOVE
    answer = np.log(mean / np.where(seen, old_mean, mean)) / np.where(seen, moved, 1.0)
    seen &= (answer > ANSWERS[0]) & (answer < ANSWERS[1])
    answer = np.where(seen, np.where(old > 0.0, 0.5 * (old + answer), answer), old)
    v[:, butterfly.OLD_PHI], v[:, butterfly.OLD_MEAN], v[:, butterfly.ANSWER] = phi.copy(), mean, answer
    return np.where(answer > 0.0, (load / mean) ** (1.0 / np.where(answer > 0.0, answer, 1.0)), times)


def hold(net: Network, steps: int, load: FloatArray) -> FloatArray:
    """Correct throttles and intake after a cycle; returns how far mean pressure was from the load, relative.

    Throttles of their own for every cylinder sit on one shaft: they are equally open.
    """
    outside = net.arrays.spaces[0, :LANES]
    if len(net.in_line):
        mean = net.throttles[:, butterfly.SUM_P].mean(axis=0) / steps
        now, drift = net.throttles[:, BRANCH + FACE_P].mean(axis=0), 0.0 * mean
        wanted = load / mean
    else:
        v = net.throttled
        mean = v[:, march.V_SUM_P].mean(axis=0) / steps
        came, left = v[:, march.V_IN].sum(axis=0), v[:, march.V_OUT].sum(axis=0)
        # judged by what the cylinders take: plenum and runners also swallow or give while pressure moves
        taken = net.cylinders[:, cyl.INTAKE].sum(axis=0) / (1.0 + net.arrays.fuel[0])
        wanted = taken / np.maximum(came, 1e-12) * load / mean
        # by the cycle's end pressure has drifted half the cycle's imbalance beyond its mean
        now = v[:, march.V_P].mean(axis=0)
        drift = (came - left) / v[:, march.V_MASS].sum(axis=0) * now
    behind = np.minimum(mean, 0.999 * outside)
    eased = np.array([_through(net, load[k], k) / _through(net, behind[k], k) for k in range(LANES)])
    times = wanted / eased
    if len(net.in_line):
        times = _by_secant(net, mean, load, times)
    _open(net, _opened(net) * np.clip(times, 0.4, 2.5))
    wide = np.zeros(LANES, dtype=bool)
    if len(net.in_line):
        _open(net, np.where(load >= outside, np.inf, _opened(net)))
        wide = (net.throttles[0, butterfly.PHI] >= butterfly.PHI_OPEN) & ((mean <= load) | (load >= outside))
    fill_intake(net, np.where(wide, 1.0, 1.0 + (load - mean - 0.5 * drift) / now))
    return np.where(wide, 0.0, np.abs(load / mean - 1.0))
