"""A valve train of two masses, integrated in time, as a judge of valve control speed, separation and closing bounce.

Nothing of the package. SI units within, mm and degrees at the edges. The cam drives the tappet's mass through the
stiffness of the lobe and tappet, the tappet drives the valve's mass through the stiffness of the rest (rocker, stem),
both by contact that can push and never pull; the spring presses the valve to its seat, which can only push too. Lash is
open before the tappet meets the valve.

- quasi-static: everything rigid. Contact is lost where `force(y) < -m y'' ω²`, y'' per radian of cam squared.
- surge: an active wire of length πDN and mass `m = ρ π² d² D N / 4` between held ends, stiffness `k = G d⁴ / 8 D³ N`,
  so its lowest frequency is `sqrt(k / m) / 2 = d / (2π N D²) · sqrt(G / 2ρ)` (Wahl; Shigley, from memory; derived here
  from the wave equation).
- a third of the spring's mass moves with the valve: its coils move in proportion to their place, `∫ (x/L)² dm = m/3`.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.integrate import solve_ivp

from .contact import SHAPES, Allowances, Engine, Lobe, Motion

FINE = 0.02  # cam degrees
FADE = 0.1  # share of the spring's seat force, over which a contact's damping comes in


@dataclass(frozen=True)
class Spring:
    """`seat` force at fitted height [N], `rate` [N/mm], `mass` [g] all told."""

    seat: float
    rate: float
    mass: float

    def force(self, lift: np.ndarray) -> np.ndarray:
        """Force at a valve lift [mm], N."""
        return np.asarray(self.seat + self.rate * lift)


@dataclass(frozen=True, eq=False)
class Train:
    """Lobe, follower, valve and spring of one valve.

    Masses in g: `tappet` at the tappet, `valve` with retainer, keepers, at the valve. Stiffness in N/mm at the valve:
    `cam_stiffness` of lobe and tappet, `stem_stiffness` from tappet to valve, `seat_stiffness`. `damping`: share of
    critical of each contact with its mass. `ratio` of valve travel to tappet travel, one figure; `lash` mm at the
    valve.
    """

    lobe: Motion
    spring: Spring
    tappet: float = 40.0
    valve: float = 75.0
    ratio: float = 1.0
    lash: float = 0.0
    cam_stiffness: float = 40e3
    stem_stiffness: float = 25e3
    seat_stiffness: float = 60e3
    damping: float = 0.08

    @property
    def valve_mass(self) -> float:
        """What moves with the valve, a third of the spring with it, kg."""
        return (self.valve + self.spring.mass / 3) * 1e-3

    @property
    def tappet_mass(self) -> float:
        """The tappet's mass as felt at the valve, kg."""
        return self.tappet * 1e-3 / self.ratio**2

    def demanded(self, cam_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What the lobe asks of the valve's end, lash not taken off: mm, mm/degree, mm/degree²."""
        lift, velocity, acceleration = self.lobe.motion(cam_deg)
        return self.ratio * lift, self.ratio * velocity, self.ratio * acceleration


# Closed forms and the quasi-static judge


def control_speed_constant_force(shape: str, peak: float, flank: float, force: float, mass: float) -> float:
    """Crank rpm at which a spring of constant `force` [N] just holds `mass` [kg] on a lobe of `peak` mm over `flank`
    cam degrees.

    Greatest negative acceleration `c h / β²`: c = 10/√3 for 3-4-5, 2π for cycloidal (Norton, from memory), π²/2 for
    harmonic. `F = m c h ω² / β²`.
    """
    worst = {"3-4-5": 10 / np.sqrt(3), "cycloidal": 2 * np.pi, "harmonic": np.pi**2 / 2}[shape]
    cam_speed = np.sqrt(force / (mass * worst * peak * 1e-3)) * np.radians(flank)
    return float(cam_speed * 2 * 30 / np.pi)


def control_speed_by_flank(
    shape: str, peak: float, flank: float, spring: Spring, mass: float, lash: float = 0.0
) -> float:
    """The same with a rising spring: the least over the flank of `β sqrt((F0 + k y) / (-m h s''))`, y lift less lash.
    Crank rpm."""
    x = np.linspace(0.0, 1.0, 200001)[1:]
    value, _, second = SHAPES[shape](x)
    lift = peak * value - lash
    slowing = (second < 0) & (lift > 0)
    speed = np.sqrt(spring.force(lift[slowing]) / (-mass * peak * 1e-3 * second[slowing])) * np.radians(flank)
    return float(speed.min() * 2 * 30 / np.pi)


class Sides(NamedTuple):
    """One figure for each side of the nose."""

    opening: float
    closing: float


def quasi_static_speeds(train: Train) -> Sides:
    """Crank rpm at which a rigid train just keeps contact, opening and closing side of the nose."""
    angle = np.arange(*train.lobe.ends, FINE)
    lift, velocity, acceleration = train.demanded(angle)
    lift = lift - train.lash
    held = (acceleration < 0) & (lift > 0)
    mass = train.valve_mass + train.tappet_mass
    speeds = np.full(angle.size, np.inf)
    per_radian = acceleration[held] * np.degrees(1.0) ** 2 * 1e-3
    speeds[held] = np.sqrt(train.spring.force(lift[held]) / (-mass * per_radian)) * 60 / np.pi
    return Sides(float(speeds[velocity >= 0].min()), float(speeds[velocity <= 0].min()))


def quasi_static_speed(train: Train) -> float:
    """The lower of both sides, crank rpm."""
    return min(quasi_static_speeds(train))


def margin(train: Train, rpm: float) -> Sides:
    """Least of spring force over inertia, less 1, on each side of the nose, everything rigid: 0.2 = 20 % in hand."""
    return Sides(*((speed / rpm) ** 2 - 1 for speed in quasi_static_speeds(train)))


def surge_frequency(wire: float, coil: float, active: float, shear: float = 79.3e9, density: float = 7850.0) -> float:
    """Lowest natural frequency of a helical spring with held ends, Hz; wire and mean coil diameter in mm, G in Pa, ρ in
    kg/m³."""
    return float(wire * 1e-3 / (2 * np.pi * active * (coil * 1e-3) ** 2) * np.sqrt(shear / (2 * density)))


def helical(
    wire: float, coil: float, active: float, shear: float = 79.3e9, density: float = 7850.0
) -> tuple[float, float]:
    """Rate [N/mm] and mass of the active coils [g] of round wire: `G d⁴ / 8 D³ N` and `ρ π² d² D N / 4`."""
    d, coil_m = wire * 1e-3, coil * 1e-3
    rate = shear * d**4 / (8 * coil_m**3 * active)
    return float(rate * 1e-3), float(density * np.pi**2 * d**2 * coil_m * active / 4 * 1e3)


def lobe_harmonics(lobe: Motion, count: int = 20) -> np.ndarray:
    """Amplitudes of lift's harmonics, mm, 1 to `count` per cam turn; a surge is met where `harmonic × cam rpm / 60` is
    its frequency."""
    turn = np.arange(-180.0, 180.0, 0.1)
    return np.asarray(2 * np.abs(np.fft.rfft(lobe.lift(turn)))[1 : count + 1] / turn.size)


# Two masses in time


class Run(NamedTuple):
    """One opening. Arrays over `crank_deg` from the lobe's zero, mm and N."""

    crank_deg: np.ndarray
    lift: np.ndarray  # of the valve
    above: np.ndarray  # how much higher it stands than a rigid train would put it, never below 0
    cam_force: np.ndarray
    stem_force: np.ndarray
    closed_at: float  # crank degrees, where a rigid train would have closed

    @property
    def landed(self) -> int:
        """Where, among the angles, the valve first meets its seat after it should have closed."""
        down = np.flatnonzero((self.crank_deg > self.closed_at) & (self.lift <= 0))
        return int(down[0]) if down.size else self.crank_deg.size

    @property
    def separation(self) -> float:
        """The most that the valve stands above where the lobe asks for it, until it first meets its seat, mm."""
        return float(self.above[: self.landed].max())

    @property
    def bounce(self) -> float:
        """The highest that the valve stands after it has first met its seat, mm."""
        return float(self.lift[self.landed :].max(initial=0.0))

    def least_force(self, floor: float) -> float:
        """Least contact force at cam or stem while the valve stands higher than `floor` mm, N."""
        open_ = self.lift > floor
        return float(min(self.cam_force[open_].min(), self.stem_force[open_].min())) if open_.any() else 0.0


def run(train: Train, rpm: float, accuracy: float = 1e-6, method: str = "LSODA") -> Run:
    """One opening from rest at a crank speed, by `scipy.integrate.solve_ivp`, from 2 cam degrees before lift to 60
    after it."""
    omega = rpm * np.pi / 60  # cam, rad/s
    first, last = train.lobe.ends
    start, end = first - 2.0, last + 60.0
    fine = np.arange(start - 1, end + 1, FINE)
    asked, asking = train.demanded(fine)[:2]
    lift, velocity = (
        (asked * 1e-3).tolist(),
        (np.degrees(asking) * omega * 1e-3).tolist(),
    )  # m, m/s; lists are quick to read
    light, heavy = train.tappet_mass, train.valve_mass
    cam_k, stem_k, seat_k = (k * 1e3 for k in (train.cam_stiffness, train.stem_stiffness, train.seat_stiffness))
    cam_c, stem_c, seat_c = (
        2 * train.damping * float(np.sqrt(k * m)) for k, m in ((cam_k, light), (stem_k, heavy), (seat_k, heavy))
    )
    lash, seat, rate = train.lash * 1e-3, train.spring.seat, train.spring.rate * 1e3
    degrees_a_second, before = float(np.degrees(omega)), float(fine[0])

    def push(stiffness: float, damping: float, squeeze: float, closing: float) -> float:
        """A contact's force: it pushes and never pulls; its damping comes in as it loads, so that nothing jumps."""
        if squeeze <= 0:
            return 0.0
        force = stiffness * squeeze + damping * closing * min(1.0, stiffness * squeeze / (FADE * seat))
        return force if force > 0 else 0.0

    def forces(angle: float, state: list[float]) -> tuple[float, float, float]:
        place = (angle - before) / FINE
        k = int(place)
        part = place - k
        up = lift[k] + part * (lift[k + 1] - lift[k])
        speed = velocity[k] + part * (velocity[k + 1] - velocity[k])
        tappet, tappet_speed, valve, valve_speed = state
        return (
            push(cam_k, cam_c, up - tappet, speed - tappet_speed),
            push(stem_k, stem_c, tappet - lash - valve, tappet_speed - valve_speed),
            push(seat_k, seat_c, -valve, -valve_speed),
        )

    def change(time: float, state: np.ndarray) -> tuple[float, float, float, float]:
        now = state.tolist()
        by_cam, by_stem, by_seat = forces(start + time * degrees_a_second, now)
        return now[1], (by_cam - by_stem) / light, now[3], (by_stem + by_seat - seat - rate * now[2]) / heavy

    times = np.arange(0.0, end - start, 0.1) / degrees_a_second
    rest = [-seat / seat_k if lash == 0 else 0.0, 0.0, -seat / seat_k, 0.0]
    close = {"rtol": accuracy, "atol": accuracy * 1e-3, "max_step": 1.0 / degrees_a_second}
    found = solve_ivp(change, (0.0, times[-1]), rest, method, times, **close)
    assert found.success, found.message
    angle = start + times * degrees_a_second
    by = np.array([forces(a, state) for a, state in zip(angle.tolist(), found.y.T.tolist(), strict=True)])
    rigid = np.maximum(0.0, train.demanded(angle)[0] - train.lash)
    open_at = angle[rigid > 0]
    valve = found.y[2] * 1e3
    return Run(2 * angle, valve, np.maximum(0.0, valve - rigid), by[:, 0], by[:, 1], float(2 * open_at[-1]))


def flying_gap(engine: Engine, side: str, flight: Run, phase: float = 0.0, allow: Allowances | None = None) -> float:
    """Least gap to the piston with the valve where it flies, mm: drop, less what speed takes, less lift, less
    separation.

    The cam's lobe is the one that `flight` was run with. Where the train gives under load nothing is given back.
    """
    cam = engine.cam(side)
    theta = flight.crank_deg + cam.centre(phase)
    near = np.abs(theta) <= 90.0
    lift = np.maximum(flight.lift, cam.lift(theta, phase))[near]
    risen = allow.rise(engine.crank, theta[near]) if allow is not None else 0.0
    drop = engine.drop(side, theta[near], int(np.argmin(engine.lower)))
    lowered = cam.piston.drop(engine.crank, cam.head, theta[near], min(engine.lower) - 1.0)
    return float(np.min(drop - (drop - lowered) * risen - lift))


def keeps_contact(train: Train, rpm: float) -> bool:
    """Whether cam and stem both push as long as the valve stands over a quarter of its lift."""
    floor = 0.25 * float(np.max(train.demanded(np.arange(-10.0, 10.0, 0.1))[0]) - train.lash)
    return run(train, rpm).least_force(floor) > 0


def control_speed(train: Train, within: float = 0.002) -> float:
    """Crank rpm above which cam or stem lets go, by bisection to a share `within` of the rigid train's; never above 1.2
    of that."""
    rigid = quasi_static_speed(train)
    low, high = 0.4 * rigid, 1.2 * rigid
    while high - low > within * rigid:
        middle = (low + high) / 2
        low, high = (middle, high) if keeps_contact(train, middle) else (low, middle)
    return (low + high) / 2


def stiffened(train: Train, times: float) -> Train:
    """The same with every contact so many times stiffer."""
    names = ("cam_stiffness", "stem_stiffness", "seat_stiffness")
    return replace(train, **{name: getattr(train, name) * times for name in names})


def random_trains(count: int = 30, seed: int = 0) -> list[Train]:
    """Invented trains in ordinary ranges: lobes of all shapes and both kinds of follower, rigid control speeds of about
    6,000 to 10,000 rpm."""
    rng, trains = np.random.default_rng([seed, 4]), []
    for _ in range(count):
        shape, finger = str(rng.choice(["3-4-5", "cycloidal", "harmonic"])), rng.random() < 0.4
        ratio = round(rng.uniform(1.4, 1.8), 2) if finger else 1.0
        half = rng.uniform(64, 76)
        lean = float(rng.choice([0.0, rng.uniform(-5, 5)]))
        ramp = round(rng.uniform(0.1, 0.3), 3)
        lobe = Lobe(round(rng.uniform(8.5, 11.5) / ratio, 3), half + lean, half - lean, shape, ramp, rng.uniform(9, 14))
        spring = Spring(seat=rng.uniform(180, 300), rate=rng.uniform(22, 42), mass=rng.uniform(35, 60))
        train = Train(
            lobe,
            spring,
            tappet=rng.uniform(20, 60) * (ratio if finger else 1.0),
            valve=rng.uniform(55, 95),
            ratio=ratio,
            lash=float(rng.choice([0.0, round(rng.uniform(0.1, 0.3), 2)])),
            cam_stiffness=rng.uniform(25e3, 60e3) / (ratio if finger else 1.0),
            stem_stiffness=rng.uniform(12e3, 40e3),
            seat_stiffness=rng.uniform(40e3, 80e3),
            damping=rng.uniform(0.04, 0.12),
        )
        aim = rng.uniform(6000, 10000)
        share = float(
            np.clip((aim / quasi_static_speed(train)) ** 2, 0.5, 2.0)
        )  # the spring that would hold it to there
        trains.append(replace(train, spring=Spring(spring.seat * share, spring.rate * share, spring.mass)))
    return trains
