"""One step of a cylinder: mass and energy balance, burning, heat to the walls.

Balance of an open system, `dU = sum(h dm) - p dV + q - q_wall`, with p dV by the trapezoidal rule, solved for the new
pressure together with the gas law of gas.py. Burning follows Wiebe (a = 5, m = 2; Heywood 1988, from memory), placed by
the angle at which half is burned. Its duration follows turbulence and flame speed: engine speed to the power 1/3 and
laminar flame speed to the power -2/3 (Hires, Tabaczynski and Novak, SAE 780232), flame speed depending on lambda
(gas.py) and falling with residual gas as 1 - 2.06 x^0.77 (Rhodes and Keck, SAE 850047), all from memory. Heat transfer:
Woschni, SAE 670931 (from memory).
"""

import math

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.elementary import exp, log
from phaseopt.cycle.gas import FUELS
from phaseopt.cycle.lanes import LANES, inner, kernel
from phaseopt.values.arrays import FloatArray

# fields of the state array of a cylinder: state ...
MASS, INNER, BURNED, PRESSURE, THETA = 0, 1, 2, 3, 4  # kg, J, kg, Pa, J/kg
OLD_P, OLD_TH = 5, 6  # a step ago, to look half a step ahead; up to here a volume has the same fields
FRESH, START, DURATION = 7, 8, 9  # fresh mass to burn [kg], start [deg], duration [deg] of the present burn
REF_P, REF_V, REF_T = 10, 11, 12  # state at intake closing: Woschni's reference
# ... sums over the present cycle ...
WORK, PUMPING, INTAKE, PEAK, OUT_MASS, OUT_ENERGY, HEAT_LOSS = 13, 14, 15, 16, 17, 18, 19
# ... and what intake closing trapped
TRAPPED, RESIDUAL = 20, 21
# what a step is given: mass, energy and burned mass that came in through the intake, then the exhaust valves; its
# length [s]; mean piston speed [m/s] and Woschni's factor on it; and (from `burn`) mass burned and gas velocity from
# combustion [m/s]
FLOW, STEP, PISTON, STIR, LIT, SWIRL = 22, 28, 29, 30, 31, 32
# and what the engine and its speed give: wall temperature [K]; factor on Woschni's law, over bore [m] to the 0.2; share
# of fuel that burns; 3.24e-3 times swept volume [m^3]; burn duration with little residual gas, angle half burned [deg]
WALL, HEAT, COMPLETE, REACH, BURN, HALF = 33, 34, 35, 36, 37, 38
FIELDS = 39

STIR_OPEN, STIR_SHUT = 6.18, 2.28  # Woschni's factor on mean piston speed, with a valve open and with none
WIEBE_A = 5.0
HALF_BURNED = (math.log(2.0) / WIEBE_A) ** (1.0 / 3.0)  # share of the duration at which half is burned
RESIDUAL_REF = 0.08  # residual fraction at which the reference duration holds
FLAME_REF = 1.0 - 2.06 * RESIDUAL_REF**0.77
LAMBDA_REF = 0.88  # and lambda


@kernel
def close_intake(z: FloatArray, gas: FloatArray, volume: float, k: int) -> None:
    """Note what was trapped in lane `k`, and set the burn that follows."""
    mass = z[MASS * LANES + k]
    residual = z[BURNED * LANES + k] / mass
    z[TRAPPED * LANES + k] = mass
    z[RESIDUAL * LANES + k] = residual
    flame = max(1.0 - 2.06 * residual**0.77, 0.15)
    duration = min(max(z[BURN * LANES + k] * (FLAME_REF / flame) ** (2.0 / 3.0), 20.0), 150.0)
    z[DURATION * LANES + k] = duration
    z[START * LANES + k] = 360.0 + z[HALF * LANES + k] - HALF_BURNED * duration
    z[FRESH * LANES + k] = mass - z[BURNED * LANES + k]
    z[REF_P * LANES + k] = z[PRESSURE * LANES + k]
    z[REF_V * LANES + k] = volume
    z[REF_T * LANES + k] = z[THETA * LANES + k] / (gas[10] + gas[11] * residual)


@inner
def burned_share(angle: float, start: float, duration: float) -> float:
    """Share burned at `angle` [deg] after a `start` and over a `duration`: Wiebe's law.

    >>> round(burned_share(360.0 + HALF_BURNED * 60.0, 360.0, 60.0), 6)
    0.5
    """
    s = max((angle - start) / duration, 0.0)
    return 1.0 - exp(-min(WIEBE_A * s * s * s, 50.0))


@inner
def wall_coefficient(p: float, t: float, w: float) -> float:
    """Woschni's heat transfer coefficient times bore^0.2 [W/(m^1.8 K)], from Pa, K and m/s.

    3.26 p^0.8 w^0.8 T^-0.55 with p in kPa.

    >>> round(wall_coefficient(4e6, 2200.0, 35.0) / (3.26 * 4000.0**0.8 * 35.0**0.8 * 2200.0**-0.55), 6)
    1.0
    """
    return 3.26 * exp(0.8 * log(p * 1e-3 * w) - 0.55 * log(t))


@kernel
def burn(z: FloatArray, angle: float, width: float, v0: float) -> None:
    """Mass that burns in a step of `width` degrees from `angle`, and Woschni's velocity from combustion, by lane."""
    n = LANES
    for k in range(LANES):
        start, duration = z[START * n + k], z[DURATION * n + k]
        share = burned_share(angle + width, start, duration) - burned_share(angle, start, duration)
        fresh = z[MASS * n + k] - z[BURNED * n + k]
        z[LIT * n + k] = max(min(z[FRESH * n + k] * share * z[COMPLETE * n + k], fresh), 0.0)
        ref_p, ref_v = z[REF_P * n + k], z[REF_V * n + k]
        motored = ref_p * exp(1.3 * log(ref_v / v0))
        over = max(z[PRESSURE * n + k] - motored, 0.0)
        over = over if angle >= start - width else 0.0
        z[SWIRL * n + k] = z[REACH * n + k] * z[REF_T * n + k] / (ref_p * ref_v) * over


@kernel
def step_cylinder(z: FloatArray, gas: FloatArray, v0: float, v1: float, area: float, exchange: bool) -> None:
    """Advance every lane by one step from volume `v0` to `v1` [m^3] with wall `area` [m^2].

    `exchange`: exhaust or intake stroke, whose work is pumping.
    """
    n = LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    hot, c0, c1, d0, d1, heat = gas[4], gas[5], gas[6], gas[7], gas[8], gas[9]
    r0, r1 = gas[10], gas[11]
    half_dv, per = 0.5 * (v1 - v0), 1.0 / v1
    pumping = 1.0 if exchange else 0.0
    for k in range(LANES):
        p0, th0 = z[PRESSURE * n + k], z[THETA * n + k]
        m_in, e_in, y_in = z[FLOW * n + k], z[(FLOW + 1) * n + k], z[(FLOW + 2) * n + k]
        m_out, e_out, y_out = z[(FLOW + 3) * n + k], z[(FLOW + 4) * n + k], z[(FLOW + 5) * n + k]
        lit = z[LIT * n + k]
        mass = z[MASS * n + k] + m_in + m_out
        burned = z[BURNED * n + k] + y_in + y_out + lit
        one = 1.0 / mass
        y = burned * one
        t = th0 / (r0 + r1 * y)
        rate = wall_coefficient(p0, t, z[STIR * n + k] * z[PISTON * n + k] + z[SWIRL * n + k])
        lost = z[STEP * n + k] * (area * z[HEAT * n + k]) * rate * (t - z[WALL * n + k])
        base = z[INNER * n + k] + e_in + e_out + lit * heat - lost
        a, b = a0 + a1 * y, b0 + b1 * y
        level = log(p0 * 2e-7)  # over 50 bar
        quad, cube = y * (c0 + c1 * level), y * (d0 + d1 * level)
        theta, p = th0, p0
        for _ in range(3):
            e = (base - (p0 + p) * half_dv) * one
            x = max(theta - hot, 0.0)
            error = (a + 0.5 * b * theta) * theta + (quad + cube * x) * x * x - e
            theta -= error / (a + b * theta + (2.0 * quad + 3.0 * cube * x) * x)
            p = mass * theta * per
        work = (p0 + p) * half_dv
        z[MASS * n + k] = mass
        z[INNER * n + k] = base - work
        z[BURNED * n + k] = burned
        z[PRESSURE * n + k] = p
        z[THETA * n + k] = theta
        z[OLD_P * n + k] = p0
        z[OLD_TH * n + k] = th0
        z[WORK * n + k] += work
        z[PUMPING * n + k] += pumping * work
        z[INTAKE * n + k] += m_in - y_in
        z[PEAK * n + k] = max(z[PEAK * n + k], p)
        z[OUT_MASS * n + k] -= m_out
        z[OUT_ENERGY * n + k] -= e_out
        z[HEAT_LOSS * n + k] += lost
        z[LIT * n + k] = 0.0
        z[SWIRL * n + k] = 0.0


def given(engine: CycleConfig, rpm: float) -> list[float]:
    """Fields `WALL` to `HALF` for an engine at a speed [rpm]."""
    fuel = FUELS[engine.fuel]
    slower = (fuel.flame_speed(LAMBDA_REF) / fuel.flame_speed(engine.excess_air)) ** (2.0 / 3.0)
    return [
        engine.wall_temperature, engine.wall_heat * (engine.bore * 1e-3) ** -0.2, engine.completeness,
        3.24e-3 * engine.displacement / engine.cylinders,
        slower * engine.burn_duration * (rpm / engine.burn_speed) ** (1.0 / 3.0), engine.half_burned,
    ]  # fmt: skip


def at_rest(gas: FloatArray, volume: float, pressure: float, t: float, y: float) -> FloatArray:
    """State array (fields, lanes) of a cylinder of `volume` [m^3] filled with gas at `pressure` [Pa] and `t` [K]."""
    theta = t * (gas[10] + gas[11] * y)
    z = np.zeros((FIELDS, LANES))
    mass = pressure * volume / theta
    z[MASS], z[BURNED], z[PRESSURE], z[THETA] = mass, mass * y, pressure, theta
    z[INNER] = mass * ((gas[0] + gas[1] * y) * theta + 0.5 * (gas[2] + gas[3] * y) * theta**2)
    z[OLD_P], z[OLD_TH] = pressure, theta
    z[REF_P], z[REF_V], z[REF_T] = pressure, volume, t
    z[START], z[DURATION] = 1e9, 50.0
    return z
