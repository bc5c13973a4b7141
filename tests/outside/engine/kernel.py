"""The kernels: gas in pipes, what stands at their ends, cylinders. SI units, radians only where said.

All pipes lie one after another in flat arrays, one spare cell after each, so that one plain loop over cells can use the
processor's vectors. Face `i` is the left face of cell `i`. Every end of a pipe looks at a node: the open air, a
cylinder or a box. One flux leaves the node and enters the pipe, so mass and energy are kept to rounding.
"""

from typing import NamedTuple

import numba
import numpy as np

jit = numba.njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz", "arcp"}, boundscheck=False
)

# Gas: internal energy e = a T + b T²/2 [J/kg] and gas constant R, of fresh air and of burned gas, after the tables that
# cantera carries. Air: within 1 % from 290 to 1000 K, and 0.2 % in speed of sound to 450 K. Gas burned at
# lambda 0.88, in equilibrium at 40 bar above 1500 K: 300-2700 K within 25 kJ/kg (1 % at the top, 6 kJ/kg below 1500 K).
A_FRESH, A_BURNED = 671.0, 743.7
B_FRESH, B_BURNED = 0.157, 0.2176
R_FRESH, R_BURNED = 287.0, 294.1
T_REFERENCE = 298.15  # heating values are at this temperature

CFL = 0.8
STAGES = 2
AIR = 0  # the node of the open air
EQUAL, OWN = 0, 1


class Net(NamedTuple):
    """The network as arrays: cells, faces, pipes, ends, nodes, valves."""

    volume: np.ndarray  # of a cell [m³]; spare cells too, so that nothing divides by zero
    area: np.ndarray  # of a face [m²], cells + 1
    step: np.ndarray  # length of a cell [m]
    wall: np.ndarray  # wall of a cell [m²]
    rough: np.ndarray  # Fanning friction factor of the fully rough wall
    diameter: np.ndarray
    loss: np.ndarray  # dynamic heads lost in a cell (bends, a throttle plate)
    heat: np.ndarray  # factor on the heat of the Reynolds analogy
    t_wall: np.ndarray
    first: np.ndarray  # first cell of a pipe
    last: np.ndarray  # last cell of a pipe
    end_cell: np.ndarray
    end_next: np.ndarray  # its neighbour inside the pipe
    end_face: np.ndarray
    end_sign: np.ndarray  # +1 where the pipe's axis leads away from the end
    end_node: np.ndarray
    end_into: np.ndarray  # effective over pipe area, flow into the pipe
    end_out: np.ndarray  # and out of the pipe
    end_valve: np.ndarray  # the valve there, or -1
    node_volume: np.ndarray  # of a box; cylinders and the open air have their own
    valve_cylinder: np.ndarray
    valve_intake: np.ndarray  # 1 intake, 0 exhaust
    valve_shift: np.ndarray  # degrees later than dialled in
    valve_head: np.ndarray  # diameter [m]
    valve_number: np.ndarray
    valve_lift: np.ndarray  # [m]
    valve_half: np.ndarray  # half the seat duration [crank degrees]
    valve_power: np.ndarray  # lift = peak (1 - x²)^power
    valve_flow: np.ndarray  # greatest flow coefficient, by valve head area
    cylinder_phase: np.ndarray  # crank degrees after cylinder 1
    cylinder_ratio: np.ndarray  # compression ratio


class Work(NamedTuple):
    """Numbers of the cylinders and the laws; what stands beside each is its unit."""

    bore: float
    stroke: float
    rod: float
    head_area: float  # head and piston crown together [m²]
    head_wall: float  # [K]
    liner_wall: float  # [K]
    law: int
    heat_factor: float
    lhv: float  # heat of the fuel that burns, efficiency included [J/kg]
    fuel: float  # fuel that burns per air [kg/kg]
    fuel_mass: float  # all fuel per air [kg/kg]
    burn_start: float  # equal: start after firing TDC [deg]; own: the 50 % point
    burn_duration: float  # equal: duration; own: 10-90 % at a piston speed of 16 m/s and 5 % residual
    p_air: float
    t_air: float
    speed: float  # crank degrees per second
    icl: float
    ecl: float


class Gas(NamedTuple):
    """What changes: contents of cells (4 × cells), nodes (3 × nodes), cylinders at closing, what passed each end."""

    cells: np.ndarray  # mass, momentum, energy, burned mass
    nodes: np.ndarray  # mass, energy, burned mass
    closed: np.ndarray  # per cylinder: pressure, temperature, volume, mass, fresh mass at intake closing; burned share
    passed: np.ndarray  # per end: mass, energy, burned mass into the pipe
    sums: np.ndarray  # per cylinder: work, heat to the walls, heat of burning, fuel mass, peak pressure
    walls: np.ndarray  # heat from the walls of all pipes
    was: np.ndarray  # lift of every valve position a step ago


@jit
def gas_a(y):
    return A_FRESH + y * (A_BURNED - A_FRESH)


@jit
def gas_b(y):
    return B_FRESH + y * (B_BURNED - B_FRESH)


@jit
def gas_r(y):
    return R_FRESH + y * (R_BURNED - R_FRESH)


@jit
def temperature(energy, y):
    """From internal energy per mass."""
    a, b = gas_a(y), gas_b(y)
    return 2.0 * energy / (a + np.sqrt(a * a + 2.0 * b * energy))


@jit
def energy_of(t, y):
    return (gas_a(y) + 0.5 * gas_b(y) * t) * t


@jit
def primitives(net, cells, prim):
    """Pressure, velocity, temperature, burned share, wave speed over length of every cell."""
    for i in range(cells.shape[1]):
        inverse = 1.0 / cells[0, i]
        u = cells[1, i] * inverse
        y = cells[3, i] * inverse
        a = A_FRESH + y * (A_BURNED - A_FRESH)
        b = B_FRESH + y * (B_BURNED - B_FRESH)
        r = R_FRESH + y * (R_BURNED - R_FRESH)
        e = cells[2, i] * inverse - 0.5 * u * u
        t = 2.0 * e / (a + np.sqrt(a * a + 2.0 * b * e))
        prim[0, i] = cells[0, i] / net.volume[i] * r * t
        prim[1, i] = u
        prim[2, i] = t
        prim[3, i] = y
        prim[4, i] = (abs(u) + np.sqrt((1.0 + r / (a + b * t)) * r * t)) / net.step[i]


@jit
def slopes(net, prim, slope):
    """Van Albada's average of the two one-sided differences; at a pipe's end the one there is, for waves only."""
    n = prim.shape[1]
    for k in range(4):
        tiny = 1e-12 if k else 1e-2
        for i in range(1, n - 1):
            left = prim[k, i] - prim[k, i - 1]
            right = prim[k, i + 1] - prim[k, i]
            product = max(left * right, 0.0)
            slope[k, i] = product * (left + right) / (left * left + right * right + tiny)
    for j in range(net.first.size):
        s, e = net.first[j], net.last[j]
        for k in range(4):
            slope[k, s] = prim[k, s + 1] - prim[k, s] if k < 2 else 0.0
            slope[k, e] = prim[k, e] - prim[k, e - 1] if k < 2 else 0.0


@jit
def fluxes(prim, slope, flux):
    """AUSM+ (Liou 1996) with the pressure term in its mass flux (AUSM+-up, Liou 2006), per area of each inner face.

    The pressure weights are the cubic ones (alpha = 0), so that no wave is damped much more than by an upwind flux:
    with alpha = 3/16 and the velocity term of AUSM+-up the shortest ones are lost at steps as long as these.
    """
    for i in range(1, prim.shape[1]):
        j = i - 1
        pl, pr = prim[0, j] + 0.5 * slope[0, j], prim[0, i] - 0.5 * slope[0, i]
        ul, ur = prim[1, j] + 0.5 * slope[1, j], prim[1, i] - 0.5 * slope[1, i]
        tl, tr = prim[2, j] + 0.5 * slope[2, j], prim[2, i] - 0.5 * slope[2, i]
        yl, yr = prim[3, j] + 0.5 * slope[3, j], prim[3, i] - 0.5 * slope[3, i]
        al, ar = A_FRESH + yl * (A_BURNED - A_FRESH), A_FRESH + yr * (A_BURNED - A_FRESH)
        bl, br = B_FRESH + yl * (B_BURNED - B_FRESH), B_FRESH + yr * (B_BURNED - B_FRESH)
        gl, gr = R_FRESH + yl * (R_BURNED - R_FRESH), R_FRESH + yr * (R_BURNED - R_FRESH)
        dl, dr = pl / (gl * tl), pr / (gr * tr)
        c = 0.5 * (np.sqrt((1.0 + gl / (al + bl * tl)) * gl * tl) + np.sqrt((1.0 + gr / (ar + br * tr)) * gr * tr))
        ml, mr = ul / c, ur / c
        kl, kr = min(max(ml, -1.0), 1.0), min(max(mr, -1.0), 1.0)
        sl, sr = kl * kl - 1.0, kr * kr - 1.0
        up = 0.25 * (kl + 1.0) ** 2 + 0.125 * sl * sl + max(ml - 1.0, 0.0)
        down = -0.25 * (kr - 1.0) ** 2 - 0.125 * sr * sr + min(mr + 1.0, 0.0)
        plus = 0.25 * (kl + 1.0) ** 2 * (2.0 - kl)
        minus = 0.25 * (kr - 1.0) ** 2 * (2.0 + kr)
        mean = 0.5 * (dl + dr)
        still = max(1.0 - 0.5 * (ml * ml + mr * mr), 0.0)
        mach = up + down - 0.5 * still * (pr - pl) / (mean * c * c)
        p = plus * pl + minus * pr
        hl = (al + gl + 0.5 * bl * tl) * tl + 0.5 * ul * ul
        hr = (ar + gr + 0.5 * br * tr) * tr + 0.5 * ur * ur
        forward, back = c * max(mach, 0.0) * dl, c * min(mach, 0.0) * dr
        flux[0, i] = forward + back
        flux[1, i] = forward * ul + back * ur + p
        flux[2, i] = forward * hl + back * hr
        flux[3, i] = forward * yl + back * yr


@jit
def wall_rates(net, prim, source):
    """Friction [N] and heat [W] of the walls: smooth and fully rough, as fourth powers; heat by Reynolds analogy.

    That sum is within 4 % of Colebrook's formula from a Reynolds number of 10 000 on.
    """
    for i in range(prim.shape[1]):
        p, u, t, y = prim[0, i], prim[1, i], prim[2, i], prim[3, i]
        r = R_FRESH + y * (R_BURNED - R_FRESH)
        cp = A_FRESH + y * (A_BURNED - A_FRESH) + r + (B_FRESH + y * (B_BURNED - B_FRESH)) * t
        density = p / (r * t)
        viscosity = 1.458e-6 * t * np.sqrt(t) / (t + 110.4)  # Sutherland
        speed = abs(u)
        reynolds = density * speed * net.diameter[i] / viscosity + 100.0
        rough = net.rough[i] * net.rough[i]
        friction = np.sqrt(np.sqrt(0.0791**4 / reynolds + rough * rough))  # Blasius and von Karman
        head = 0.5 * density * speed
        source[0, i] = -head * u * (friction * net.wall[i] + net.loss[i] * net.volume[i] / net.step[i])
        # Colburn: St Pr^(2/3) = f/2, Pr = 0.71
        source[1, i] = 1.256 * net.heat[i] * friction * head * cp * (net.t_wall[i] - t) * net.wall[i]


@jit
def nozzle(ratio, gamma):
    """Mass flux of an ideal nozzle × sqrt(R T)/p of its stagnation state, at a pressure ratio; choked where it is."""
    critical = 0.5457 - 0.174 * (gamma - 1.3)  # (2/(γ+1))^(γ/(γ-1)) within 3e-4; the flux is flat there
    ratio = min(max(ratio, critical), 1.0)
    x = ratio ** (1.0 / gamma)
    return np.sqrt(max(2.0 * gamma / (gamma - 1.0) * (x * x - x * ratio), 0.0))


@jit
def wave_speed_change(z, gamma):
    """Velocity change over sound speed across a simple wave of pressure ratio 1 + z (exact for a shock)."""
    return z / gamma / np.sqrt(max(1.0 + 0.5 * (gamma + 1.0) / gamma * z, 0.05))


@jit
def density_ratio(z, gamma):
    """Across that wave (exact for a shock, third order for an expansion)."""
    g = (gamma + 1.0) / (gamma - 1.0)
    return (1.0 + g * (1.0 + z)) / (1.0 + z + g)


@jit
def into_pipe(p, pipe, node, psi):
    """Surplus of mass flux in the pipe at pressure `p` over what the throat passes; velocity, density."""
    p0, u0, _, c0, g0 = pipe
    pn, tn, rn, gn = node
    u = u0 + c0 * wave_speed_change(p / p0 - 1.0, g0)
    t = tn - 0.5 * u * u * (gn - 1.0) / (gn * rn)
    density = p / (rn * t)
    return density * u - psi * pn / np.sqrt(rn * tn) * nozzle(p / pn, gn), u, density


@jit
def out_of_pipe(p, pipe, pn, psi):
    """The same for flow out of the pipe, whose stagnation state is its own."""
    p0, u0, d0, c0, g0 = pipe
    z = p / p0 - 1.0
    u = u0 + c0 * wave_speed_change(z, g0)
    density = d0 * density_ratio(z, g0)
    m2 = u * u * density / (g0 * p)
    rise = 1.0 + 0.5 * (g0 - 1.0) * m2
    stagnation = p * rise ** (g0 / (g0 - 1.0))
    # density × velocity / (p0/sqrt(R T0)): R T0 = p/density × rise
    through = stagnation / np.sqrt(p / density * rise) * nozzle(pn / stagnation, g0)
    return -density * u - psi * through, u, density


@jit
def end_state(pipe, node, psi_in, psi_out):
    """Pressure, velocity (into the pipe) and density of the gas at a pipe's end.

    The wave that arrives from inside carries one relation of pressure and velocity. The other is the throat's: gas
    accelerates without loss to the throat and keeps the throat's pressure behind it (constant-pressure model after
    Benson), so a throat of the pipe's own area into the pipe is a lossless mouth, and out of it keeps the pressure
    of the node. Unknown is w with p = p_node ∓ w²: the throat's flow is nearly linear in it.
    """
    p0, u0, d0, c0, g0 = pipe
    pn, tn, rn, gn = node
    m = -g0 * u0 / c0
    k = 0.5 * (g0 + 1.0) / g0
    still = p0 * max(1.0 + 0.5 * m * (m * k + np.sqrt(m * m * k * k + 4.0)), 0.05)
    if pn >= still:
        psi = psi_in
        if psi < 1e-5 or pn - still < 1e-6 * pn:
            return still, 0.0, d0
        q = psi * np.sqrt(2.0 * pn / (rn * tn))
        inverse = pn / (rn * tn) / (d0 * c0)
        sign = -1.0
    else:
        psi = psi_out
        if psi < 1e-5 or still - pn < 1e-6 * pn:
            return still, 0.0, d0
        if psi >= 0.999:
            z = pn / p0 - 1.0
            u = u0 + c0 * wave_speed_change(z, g0)
            density = d0 * density_ratio(z, g0)
            if u * u < g0 * pn / density:
                return pn, u, density
            psi = 0.999
        q = np.sqrt(2.0 * d0 / (1.0 / (psi * psi) - 1.0))
        inverse = 1.0 / c0
        sign = 1.0
    # first guess: incompressible throat, linear wave
    span = abs(pn - still)
    linear = q / inverse
    w = 0.5 * (np.sqrt(linear * linear + 4.0 * span) - linear)
    low, high = 0.0, np.sqrt(span)
    if sign > 0.0:  # the pipe's end is at most sonic
        z = pn / p0 - 1.0
        u = u0 + c0 * wave_speed_change(z, g0)
        if u * u > g0 * pn / (d0 * density_ratio(z, g0)):
            top, bottom = still, pn
            for _ in range(30):
                middle = 0.5 * (top + bottom)
                z = middle / p0 - 1.0
                u = u0 + c0 * wave_speed_change(z, g0)
                if u * u > g0 * middle / (d0 * density_ratio(z, g0)):
                    bottom = middle
                else:
                    top = middle
            low = np.sqrt(top - pn)
            w = max(w, low + 0.05 * (high - low))
    slope = -(2.0 * w * inverse + q)
    before, f_before = w, 0.0
    u = 0.0
    density = d0
    small = 3e-5 * d0 * c0
    for iteration in range(20):
        p = pn + sign * w * w
        if sign < 0.0:
            f, u, density = into_pipe(p, pipe, node, psi)
        else:
            f, u, density = out_of_pipe(p, pipe, pn, psi)
        if abs(f) < small:
            break
        if f > 0.0:  # more leaves along the pipe than the throat passes
            low = w
        else:
            high = w
        if iteration and w != before and (f - f_before) / (w - before) < 0.0:
            slope = (f - f_before) / (w - before)
        before, f_before = w, f
        w = w - f / slope
        if w <= low or w >= high:
            w = 0.5 * (low + high)
        elif iteration and abs(f) < 30.0 * small:  # a secant from here is closer than needed
            p = pn + sign * w * w
            z = p / p0 - 1.0
            u = u0 + c0 * wave_speed_change(z, g0)
            density = d0 * density_ratio(z, g0)
            if sign < 0.0:
                density = p / (rn * (tn - 0.5 * u * u * (gn - 1.0) / (gn * rn)))
            break
    if sign < 0.0:
        t = tn * 2.0 / (gn + 1.0)
        sonic = np.sqrt(gn * rn * t)
        if u > sonic:  # a mouth passes the speed of sound at most; a wider pipe behind it may be faster
            density = min(psi, 1.0) * pn / np.sqrt(rn * tn) * nozzle(0.0, gn) / sonic
            return density * rn * t, sonic, density
    return pn + sign * w * w, u, density


@jit
def lift_over_peak(x, power):
    return (1.0 - x * x) ** power if abs(x) < 1.0 else 0.0


@jit
def wrapped(angle):
    """Into -360 … 360."""
    return angle - 720.0 * np.floor((angle + 360.0) / 720.0)


@jit
def valve_area(net, v, lift):
    """Effective area of one valve position at a lift [m²]."""
    if lift <= 0.0:
        return 0.0
    head = net.valve_head[v]
    # flow coefficient by head area: 85 % of the curtain 4 L/D at small lift, then the port's own
    curtain = 3.4 * lift / head / net.valve_flow[v]
    c2 = curtain * curtain
    coefficient = net.valve_flow[v] * curtain / np.sqrt(np.sqrt(1.0 + c2 * c2))
    return net.valve_number[v] * coefficient * 0.25 * np.pi * head * head


@jit
def valve_lifts(net, work, angle, lifts):
    """Lift of every valve position [m] at a crank angle of cylinder 1."""
    for v in range(net.valve_cylinder.size):
        own = wrapped(angle - net.cylinder_phase[net.valve_cylinder[v]] - net.valve_shift[v])
        centre = work.icl if net.valve_intake[v] == 1 else -work.ecl
        lifts[v] = net.valve_lift[v] * lift_over_peak(wrapped(own - centre) / net.valve_half[v], net.valve_power[v])


@jit
def cylinder_volume(work, ratio, degrees):
    """Volume [m³] and its slope per radian."""
    t = np.radians(degrees)
    half, s, c = 0.5 * work.stroke, np.sin(t), np.cos(t)
    root = np.sqrt(work.rod * work.rod - half * half * s * s)
    area = 0.25 * np.pi * work.bore * work.bore
    swept = area * work.stroke
    position = half + work.rod - half * c - root
    return swept / (ratio - 1.0) + area * position, area * half * s * (1.0 + half * c / root)


@jit
def burned_share(law, start, duration, degrees):
    """Share of the charge burned at an angle after firing TDC."""
    x = (degrees - start) / duration
    if x <= 0.0:
        return 0.0
    if law == EQUAL:
        return 1.0 - np.exp(-5.0 * x**3)  # the last 0.7 % burn after the duration: without a step at its end
    tail = x / 2.2
    main = 1.0 - np.exp(-6.9 * x**2.9)
    return 0.9 * main + 0.1 * (1.0 - np.exp(-6.9 * tail**2.9)) if x < 2.6 else 1.0


# Where the own law has burned 10, 50 and 90 %, in its durations.
OWN_10, OWN_50, OWN_90 = 0.244651, 0.474001, 0.785216


@jit
def burn_times(work, residual):
    """Start after firing TDC and duration [deg]."""
    if work.law == EQUAL:
        return work.burn_start, work.burn_duration
    piston = work.stroke * work.speed / 180.0
    diluted = max(residual - 0.05, -0.05)
    angle = work.burn_duration * (piston / 16.0) ** 0.25 * (1.0 + 2.0 * diluted + 12.0 * diluted * abs(diluted))
    duration = angle / (OWN_90 - OWN_10)
    return work.burn_start - OWN_50 * duration, duration


@jit
def wall_coefficients(net, work, gas, state, angle, lifts, coefficient):
    """Heat transfer [W/m²K]: Woschni (SAE 670931) where laws are equal, Hohenberg (SAE 790825) otherwise."""
    piston = work.stroke * work.speed / 180.0
    if work.law == OWN:
        for k in range(coefficient.size):
            p, t, volume = state[0, k + 1], state[1, k + 1], state[5, k + 1]
            coefficient[k] = 130.0 * volume**-0.06 * (p * 1e-5) ** 0.8 * t**-0.4 * (piston + 1.4) ** 0.8
    else:
        for k in range(coefficient.size):
            coefficient[k] = 2.28  # times piston speed, with the valves shut
        for v in range(lifts.size):
            if lifts[v] > 0.0:
                coefficient[net.valve_cylinder[v]] = 6.18
        for k in range(coefficient.size):
            p, t, volume = state[0, k + 1], state[1, k + 1], state[5, k + 1]
            closed = gas.closed[k]
            speed = coefficient[k] * piston
            if coefficient[k] < 6.0 and closed[3] > 0.0:
                start, _ = burn_times(work, closed[5])
                if after_firing(net, angle, k) > start:
                    motored = closed[0] * (closed[2] / volume) ** 1.3
                    swept = 0.25 * np.pi * work.bore**2 * work.stroke
                    speed += 3.24e-3 * swept * closed[1] / (closed[0] * closed[2]) * max(p - motored, 0.0)
            coefficient[k] = 3.26 * work.bore**-0.2 * (p * 1e-3) ** 0.8 * t**-0.55 * speed**0.8
    for k in range(coefficient.size):
        coefficient[k] *= work.heat_factor


@jit
def after_firing(net, angle, k):
    """Crank degrees after a cylinder's firing TDC."""
    own = wrapped(angle - net.cylinder_phase[k])
    return own - 360.0 if own > 0.0 else own + 360.0


@jit
def node_states(net, work, nodes, angle, state):
    """Pressure, temperature, burned share, gas constant, gamma, volume, its slope per radian, of every node."""
    cylinders = net.cylinder_phase.size
    for n in range(nodes.shape[1]):
        if n == AIR:
            t, y, p = work.t_air, 0.0, work.p_air
        else:
            y = nodes[2, n] / nodes[0, n]
            t = temperature(nodes[1, n] / nodes[0, n], y)
            volume, rate = net.node_volume[n], 0.0
            if n <= cylinders:
                volume, rate = cylinder_volume(work, net.cylinder_ratio[n - 1], angle - net.cylinder_phase[n - 1])
            state[5, n], state[6, n] = volume, rate
            p = nodes[0, n] * gas_r(y) * t / volume
        state[0, n], state[1, n], state[2, n], state[3, n] = p, t, y, gas_r(y)
        state[4, n] = 1.0 + state[3, n] / (gas_a(y) + gas_b(y) * t)


@jit
def end_fluxes(net, lifts, prim, slope, state, flux, rates):
    """The flux at every pipe's end; what enters the pipe there per second goes to `rates`."""
    for i in range(net.end_cell.size):
        cell, face, sign, n = net.end_cell[i], net.end_face[i], net.end_sign[i], net.end_node[i]
        p0 = prim[0, cell] - 0.5 * sign * slope[0, cell]
        u0 = sign * prim[1, cell] - 0.5 * slope[1, cell]
        t0, y0 = prim[2, cell], prim[3, cell]
        if p0 < 0.3 * prim[0, cell] or p0 > 3.0 * prim[0, cell]:
            p0 = prim[0, cell]
        r0 = gas_r(y0)
        g0 = 1.0 + r0 / (gas_a(y0) + gas_b(y0) * t0)
        psi_in, psi_out = net.end_into[i], net.end_out[i]
        v = net.end_valve[i]
        if v >= 0:
            psi_in = psi_out = min(valve_area(net, v, lifts[v]) / net.area[face], 0.98)
        pipe = (p0, u0, p0 / (r0 * t0), np.sqrt(g0 * r0 * t0), g0)
        p, u, density = end_state(pipe, (state[0, n], state[1, n], state[3, n], state[4, n]), psi_in, psi_out)
        mass = density * u
        if u > 0.0:
            tn, y = state[1, n], state[2, n]
            enthalpy = energy_of(tn, y) + gas_r(y) * tn
        else:
            y = y0
            t = p / (density * r0)
            enthalpy = energy_of(t, y) + r0 * t + 0.5 * u * u
        area = net.area[face]
        flux[0, face] = sign * mass
        flux[1, face] = mass * u + p
        flux[2, face] = sign * mass * enthalpy
        flux[3, face] = sign * mass * y
        rates[0, i] = mass * area
        rates[1, i] = mass * enthalpy * area
        rates[2, i] = mass * y * area


@jit
def advance(net, cells, flux, source, prim, dt, out):
    """Cells after one explicit step."""
    for k in range(4):
        for i in range(cells.shape[1]):
            out[k, i] = cells[k, i] - dt * (net.area[i + 1] * flux[k, i + 1] - net.area[i] * flux[k, i])
    for i in range(cells.shape[1]):
        out[1, i] += dt * (prim[0, i] * (net.area[i + 1] - net.area[i]) + source[0, i])
        out[2, i] += dt * source[1, i]
    for j in range(net.last.size):  # the spare cells stay
        for k in range(4):
            out[k, net.last[j] + 1] = cells[k, net.last[j] + 1]


@jit
def cylinder_rates(net, work, gas, state, angle, coefficient, node_rates, sum_rates):
    """Piston work, wall heat and burning of every cylinder, added to its rates."""
    per_second = np.radians(work.speed)
    for k in range(net.cylinder_phase.size):
        n = k + 1
        p, t, volume = state[0, n], state[1, n], state[5, n]
        power = p * state[6, n] * per_second
        firing = after_firing(net, angle, k)
        closed = gas.closed[k]
        burning = 0.0
        if closed[3] > 0.0:
            start, duration = burn_times(work, closed[5])
            if firing > start and firing < start + 2.6 * duration:
                burning = (
                    (
                        burned_share(work.law, start, duration, firing + 0.005)
                        - burned_share(work.law, start, duration, firing - 0.005)
                    )
                    / 0.01
                    * work.speed
                )
        area = 0.25 * np.pi * work.bore**2
        swept = area * work.stroke
        liner = 4.0 / work.bore * (volume - swept / (net.cylinder_ratio[k] - 1.0)) + 0.01 * np.pi * work.bore
        lost = coefficient[k] * (work.head_area * (t - work.head_wall) + liner * (t - work.liner_wall))
        fresh = closed[4] * burning
        mass = fresh * work.fuel_mass
        heat = fresh * work.fuel * work.lhv
        # burning turns fresh gas into burned gas at the reference temperature, where the heating value is measured
        turned = (fresh + mass) * energy_of(T_REFERENCE, 1.0) - fresh * energy_of(T_REFERENCE, 0.0)
        node_rates[0, n] += mass
        node_rates[1, n] += heat + turned - power - lost
        node_rates[2, n] += fresh + mass
        sum_rates[k, 0], sum_rates[k, 1], sum_rates[k, 2], sum_rates[k, 3] = power, lost, heat + turned, mass


@jit
def copy(source, target):
    for k in range(source.shape[0]):
        for i in range(source.shape[1]):
            target[k, i] = source[k, i]


@jit
def mix(old, new, rate, dt, target):
    """Heun's second stage: half of the old and half of a step on from the new."""
    for k in range(old.shape[0]):
        for i in range(old.shape[1]):
            target[k, i] = 0.5 * (old[k, i] + new[k, i] + dt * rate[k, i])


@jit
def cycle(net, work, gas, start, stop, record):
    """From one crank angle to another; `record` is filled with rows of angle, node pressures, end pressures.

    Returns the number of steps, or minus the step at which the gas was lost.
    """
    size = gas.cells.shape[1]
    ends, nodes, cylinders = net.end_cell.size, gas.nodes.shape[1], net.cylinder_phase.size
    prim, slope, new, old = np.zeros((5, size)), np.zeros((4, size)), np.zeros((4, size)), np.zeros((4, size))
    flux, source, still = np.zeros((4, size + 1)), np.zeros((2, size)), np.zeros((4, size))
    old_nodes, state, rates = np.zeros((3, nodes)), np.zeros((7, nodes)), np.zeros((3, ends))
    node_rates, sum_rates, coefficient = np.zeros((3, nodes)), np.zeros((cylinders, 4)), np.zeros(cylinders)
    lifts = np.zeros(net.valve_cylinder.size)
    angle, steps, dt = start, 0, 0.0
    while angle < stop - 1e-9:
        copy(gas.cells, old)
        copy(gas.nodes, old_nodes)
        begun = angle
        for stage in range(STAGES):
            primitives(net, gas.cells, prim)
            if stage == 0:
                if steps % 4 == 0:
                    dt = time_step(prim)
                    if not (dt > 1e-9):
                        return -steps - 1
                if angle + dt * work.speed > stop:
                    dt = (stop - angle) / work.speed
            slopes(net, prim, slope)
            fluxes(prim, slope, flux)
            wall_rates(net, prim, source)
            node_states(net, work, gas.nodes, angle, state)
            valve_lifts(net, work, angle, lifts)
            end_fluxes(net, lifts, prim, slope, state, flux, rates)
            leave_nodes(net, rates, node_rates)
            if stage == 0:
                close_valves(net, gas, state, lifts)
                wall_coefficients(net, work, gas, state, angle, lifts, coefficient)
            cylinder_rates(net, work, gas, state, angle, coefficient, node_rates, sum_rates)
            if stage == 0 and steps < record.shape[0]:
                write_row(net, angle, state, prim, record[steps])
            add_up(gas, dt / STAGES, rates, sum_rates, source)
            advance(net, gas.cells, flux, source, prim, dt, new)
            if stage == 0:
                copy(new, gas.cells)
                mix(gas.nodes, gas.nodes, node_rates, 2.0 * dt, gas.nodes)
                angle = begun + dt * work.speed
            else:
                mix(old, new, still, 0.0, gas.cells)
                mix(old_nodes, gas.nodes, node_rates, dt, gas.nodes)
        steps += 1
        for k in range(cylinders):
            gas.sums[k, 4] = max(gas.sums[k, 4], state[0, k + 1])
    return steps


@jit
def time_step(prim):
    fastest = 0.0
    for i in range(prim.shape[1]):
        fastest = max(fastest, prim[4, i])
    return CFL / fastest if fastest > 0.0 else 0.0


@jit
def leave_nodes(net, rates, node_rates):
    """What enters a pipe has left its node."""
    for k in range(3):
        for n in range(node_rates.shape[1]):
            node_rates[k, n] = 0.0
        for i in range(net.end_node.size):
            node_rates[k, net.end_node[i]] -= rates[k, i]


@jit
def add_up(gas, share, rates, sum_rates, source):
    """The cycle's accounts."""
    for i in range(source.shape[1]):
        gas.walls[0] += share * source[1, i]
    for i in range(rates.shape[1]):
        for k in range(3):
            gas.passed[i, k] += share * rates[k, i]
    for j in range(sum_rates.shape[0]):
        for k in range(4):
            gas.sums[j, k] += share * sum_rates[j, k]


@jit
def write_row(net, angle, state, prim, row):
    row[0] = angle
    nodes = state.shape[1]
    for n in range(nodes):
        row[1 + n] = state[0, n]
    for i in range(net.end_cell.size):
        row[1 + nodes + i] = prim[0, net.end_cell[i]]


@jit
def close_valves(net, gas, state, lifts):
    """Where the intake closed since the last step, note the state of the charge."""
    for v in range(lifts.size):
        n = net.valve_cylinder[v] + 1
        if net.valve_intake[v] == 1 and gas.was[v] > 0.0 and lifts[v] == 0.0:
            mass, y = gas.nodes[0, n], state[2, n]
            closed = gas.closed[n - 1]
            closed[0], closed[1], closed[2] = state[0, n], state[1, n], state[5, n]
            closed[3], closed[4], closed[5] = mass, mass * (1.0 - y), y
        gas.was[v] = lifts[v]
