"""One step of a cylinder: mass and energy balance, burning, heat to the walls.

Balance of an open system, `dU = sum(h dm) - p dV + q - q_wall`, with p dV by the trapezoidal rule, solved for the new
pressure together with the gas law of gas.py. Burning follows Wiebe (a = 5, m = 2; Heywood 1988, from memory), placed by
the angle at which half is burned. Its duration follows turbulence and flame speed: engine speed to the power 1/3 and
laminar flame speed to the power -2/3 (Hires, Tabaczynski and Novak, SAE 780232), flame speed falling with residual
gas as 1 - 2.06 x^0.77 (Rhodes and Keck, SAE 850047), all from memory. Heat transfer: Woschni, SAE 670931 (from memory).
"""

import math

import numpy as np

from phaseopt.cycle.lanes import LANES, Array, kernel

# fields of the state array of a cylinder: state ...
MASS, INNER, BURNED, PRESSURE, THETA = 0, 1, 2, 3, 4  # kg, J, kg, Pa, J/kg
FRESH, START, DURATION = 5, 6, 7  # fresh mass to burn [kg], start [deg], duration [deg] of the present burn
REF_P, REF_V, REF_T = 8, 9, 10  # state at intake closing: Woschni's reference
# ... sums over the present cycle ...
WORK, PUMPING, INTAKE, PEAK, OUT_MASS, OUT_ENERGY, HEAT_LOSS = 11, 12, 13, 14, 15, 16, 17
# ... and what intake closing trapped
TRAPPED, RESIDUAL = 18, 19
OLD_P, OLD_TH = 20, 21  # a step ago, to look half a step ahead
FIELDS = 22

# numbers of a cylinder
BORE, WALL_T, SPEED_REF, BURN_REF, COMPLETE, HEAT_FACTOR, SWEPT, STROKES = 0, 1, 2, 3, 4, 5, 6, 7
NUMBERS = 8

WIEBE_A = 5.0
HALF_BURNED = (math.log(2.0) / WIEBE_A) ** (1.0 / 3.0)  # share of the duration at which half is burned
RESIDUAL_REF = 0.08  # residual fraction at which the reference duration holds
FLAME_REF = 1.0 - 2.06 * RESIDUAL_REF**0.77


@kernel
def close_intake(z: Array, numbers: Array, rpm: Array, half_burned: Array, volume: float, gas: Array) -> None:
    """Note what was trapped, and set the burn that follows."""
    for k in range(LANES):
        mass = z[MASS * LANES + k]
        residual = z[BURNED * LANES + k] / mass
        z[TRAPPED * LANES + k] = mass
        z[RESIDUAL * LANES + k] = residual
        flame = max(1.0 - 2.06 * residual**0.77, 0.15)
        duration = numbers[BURN_REF] * (rpm[k] / numbers[SPEED_REF]) ** (1.0 / 3.0) * (FLAME_REF / flame) ** (2.0 / 3.0)
        duration = min(max(duration, 20.0), 150.0)
        z[DURATION * LANES + k] = duration
        z[START * LANES + k] = 360.0 + half_burned[k] - HALF_BURNED * duration
        z[FRESH * LANES + k] = mass - z[BURNED * LANES + k]
        z[REF_P * LANES + k] = z[PRESSURE * LANES + k]
        z[REF_V * LANES + k] = volume
        z[REF_T * LANES + k] = z[THETA * LANES + k] / (gas[10] + gas[11] * residual)


@kernel
def wiebe(angle: float, start: float, duration: float) -> float:
    """Share burned at `angle` [deg]."""
    s = (angle - start) / duration
    return 1.0 - math.exp(-WIEBE_A * s * s * s) if s > 0.0 else 0.0


@kernel
def wall_heat_rate(
    numbers: Array,
    p: float,
    t: float,
    speed: float,
    area: float,
    open_: bool,
    firing: bool,
    swirl: float,
) -> float:
    """Heat flow to the walls [W] by Woschni, p in Pa; `swirl` is C2's gas velocity from combustion [m/s]."""
    w = (6.18 if open_ else 2.28) * speed + (swirl if firing else 0.0)
    # 3.26 B^-0.2 p^0.8 w^0.8 T^-0.55 with p in kPa
    h = 3.26 * math.exp(0.8 * math.log(max(p * 1e-3 * w, 1e-6)) - 0.55 * math.log(t) - 0.2 * math.log(numbers[BORE]))
    return float(numbers[HEAT_FACTOR] * h * area * (t - numbers[WALL_T]))


@kernel
def step_cylinder(
    z: Array,
    numbers: Array,
    gas: Array,
    dt: Array,
    rpm: Array,
    angle: float,
    width: float,
    v0: float,
    v1: float,
    area: float,
    open_: bool,
    burning: bool,
    flow: Array,
) -> None:
    """Advance every lane by one step of `width` degrees from `angle`, volumes `v0` to `v1` [m^3], wall `area` [m^2].

    `flow` holds, by lane, mass, energy and burned mass that come in over the step through the intake, then the same
    through the exhaust valves.
    """
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    hot, c0, c1, d0, d1, heat = gas[4], gas[5], gas[6], gas[7], gas[8], gas[9]
    dv = v1 - v0
    exchange = 540.0 <= angle + 0.5 * width < 900.0
    for k in range(LANES):
        m0, p0, th0 = z[MASS * LANES + k], z[PRESSURE * LANES + k], z[THETA * LANES + k]
        mass = m0 + flow[k] + flow[3 * LANES + k]
        burned = z[BURNED * LANES + k] + flow[2 * LANES + k] + flow[5 * LANES + k]
        gain = flow[LANES + k] + flow[4 * LANES + k]
        start = z[START * LANES + k]
        firing = burning and angle >= start - width
        if firing and angle < start + 1.3 * z[DURATION * LANES + k]:
            duration = z[DURATION * LANES + k]
            share = wiebe(angle + width, start, duration) - wiebe(angle, start, duration)
            lit = min(z[FRESH * LANES + k] * share * numbers[COMPLETE], mass - burned)
            burned += lit
            gain += lit * heat
        y = burned / mass
        t = th0 / (gas[10] + gas[11] * y)
        swirl = 0.0
        if firing and numbers[HEAT_FACTOR] > 0.0:
            motored = z[REF_P * LANES + k] * (z[REF_V * LANES + k] / v0) ** 1.3
            swirl = 3.24e-3 * numbers[SWEPT] * z[REF_T * LANES + k] / (z[REF_P * LANES + k] * z[REF_V * LANES + k])
            swirl *= max(p0 - motored, 0.0)
        lost = 0.0
        if numbers[HEAT_FACTOR] > 0.0:
            lost = dt[k] * wall_heat_rate(numbers, p0, t, numbers[STROKES] * rpm[k], area, open_, firing, swirl)
        a, b = a0 + a1 * y, b0 + b1 * y
        theta, p = th0, p0
        base = z[INNER * LANES + k] + gain - lost
        inner = base
        for _ in range(3):
            inner = base - 0.5 * (p0 + p) * dv
            e = inner / mass
            if theta > hot:
                x, log = theta - hot, math.log(p * 2e-7)
                quad, cube = y * (c0 + c1 * log), y * (d0 + d1 * log)
                error = a * theta + 0.5 * b * theta * theta + (quad + cube * x) * x * x - e
                theta -= error / (a + b * theta + (2.0 * quad + 3.0 * cube * x) * x)
            else:
                theta = 2.0 * e / (a + math.sqrt(a * a + 2.0 * b * e))
            p = mass * theta / v1
        work = 0.5 * (p0 + p) * dv
        inner = base - work
        z[MASS * LANES + k] = mass
        z[INNER * LANES + k] = inner
        z[BURNED * LANES + k] = burned
        z[PRESSURE * LANES + k] = p
        z[THETA * LANES + k] = theta
        z[OLD_P * LANES + k] = p0
        z[OLD_TH * LANES + k] = th0
        z[WORK * LANES + k] += work
        z[PUMPING * LANES + k] += work if exchange else 0.0
        z[INTAKE * LANES + k] += flow[k] - flow[2 * LANES + k]
        z[PEAK * LANES + k] = max(z[PEAK * LANES + k], p)
        z[OUT_MASS * LANES + k] -= flow[3 * LANES + k]
        z[OUT_ENERGY * LANES + k] -= flow[4 * LANES + k]
        z[HEAT_LOSS * LANES + k] += lost


def at_rest(gas: Array, volume: float, pressure: float, t: float, y: float) -> Array:
    """State array (fields, lanes) of a cylinder of `volume` [m^3] filled with gas at `pressure` [Pa] and `t` [K]."""
    theta = t * (gas[10] + gas[11] * y)
    z = np.zeros((FIELDS, LANES))
    mass = pressure * volume / theta
    z[MASS], z[BURNED], z[PRESSURE], z[THETA] = mass, mass * y, pressure, theta
    z[INNER] = mass * ((gas[0] + gas[1] * y) * theta + 0.5 * (gas[2] + gas[3] * y) * theta**2)
    z[OLD_P], z[OLD_TH] = pressure, theta
    z[START], z[DURATION] = 1e9, 50.0
    return z
