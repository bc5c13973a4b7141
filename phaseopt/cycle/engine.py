"""Operating points of an engine, simulated until cycle repeats cycle."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from phaseopt.cycle import butterfly, ducts, march, throttle
from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.events import ValveTables
from phaseopt.cycle.homes import HOMES, HomeKey, Settled
from phaseopt.cycle.knock import PHASINGS, charges, look
from phaseopt.cycle.lanes import LANES
from phaseopt.cycle.network import Mesh, build
from phaseopt.cycle.queue import Job, Queue
from phaseopt.cycle.results import Results, filling_and_work, results
from phaseopt.cycle.schedule import MANY, Point, Schedule
from phaseopt.cycle.settling import Settling
from phaseopt.io.digest import fingerprint
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

LATER = 2  # how often a point that would knock is simulated with a later burn


class Stopped(Exception):
    """The points are not wanted any more."""


class Simulator:
    """Marches operating points in `LANES` lanes; a lane whose point is done takes the next one.

    Parameters
    ----------
    config : CycleConfig
        The engine.
    mesh : Mesh, optional
        Cell lengths.
    stopped : callable, optional
        Asked before each cycle; once it says True, `run` raises `Stopped`.
    levels : int
        Numbers of steps in use, from one to twice as many (schedule.py).

    Notes
    -----
    What a point comes to depends on the point and `levels` alone, to the last bit: its start and its steps follow from
    them (schedule.py), and lanes do not know of each other (march.py).
    """

    def __init__(
        self,
        config: CycleConfig,
        mesh: Mesh | None = None,
        stopped: Callable[[], bool] = lambda: False,
        levels: int = MANY,
    ) -> None:
        self.config = config
        self.gas = config.gas
        self._mesh = mesh or Mesh()
        self.net = build(config, self.gas, self._mesh)
        self.points = np.full((4, LANES), np.nan)  # rpm, load [Pa], icl, ecl of each lane
        self.engines = [config] * LANES  # of each lane
        self._variants = [config]
        self._stopped = stopped
        self._schedule = Schedule(config, self.net, levels)
        self._at_rest = [x[:, 0].copy() for x in self.net.state]
        self.set_steps(4 * config.cylinders)

    def set_steps(self, steps: int) -> None:
        """Divide the cycle into so many steps, a multiple of the number of cylinders."""
        self.steps = steps
        nodes = 180.0 + 720.0 * np.arange(steps + 1) / steps
        self.volume, _ = chamber(self.config, nodes)
        _, self.wall = chamber(self.config, nodes[:-1] + 360.0 / steps)
        self.valves = ValveTables(self.config, self.net, steps)

    def run(self, points: FloatArray, engines: Sequence[CycleConfig] | None = None, again: int = 1) -> Results:
        """Simulate points until they settle, or are given up.

        Parameters
        ----------
        points : array (n, 4)
            Speed [rpm], mean plenum pressure [kPa] and true centrelines [deg], in any order.
        engines : sequence of CycleConfig, optional
            Each point's own engine, where they differ in `config.BY_POINT`.
        again : int
            How often a point must settle, each time from where it did before.

        Returns
        -------
        Results
            In the order of the points.

        Raises
        ------
        InputError
            For a load that an open throttle cannot give.

        Notes
        -----
        Where a point would knock it is simulated again with burning as early as knock allows, twice: a later burn
        leaves a hotter exhaust, whose waves change what is trapped.
        """
        points = np.asarray(points, dtype=np.float64)
        own = _as_they_burn(engines or [self.config] * len(points), points)
        out = self._run(points, own, again)
        if self.config.knock is None:
            return out
        wanted = np.array([engine.half_burned for engine in own])
        out.earliest[:] = self._earliest(points, own, out)
        for _ in range(LATER):
            late = np.flatnonzero((out.earliest > wanted) & out.settled)
            if not late.size:
                break
            # what knocks however late burns as late as was looked at: its torque is no better than that
            at = np.minimum(out.earliest[late], PHASINGS[-1])
            burns = [replace(own[i], half_burned=float(half)) for i, half in zip(late, at, strict=True)]
            found = self._run(points[late], burns, again)
            found.earliest[:] = self._earliest(points[late], [own[i] for i in late], found)
            out.put(late, found)
        return out

    def _earliest(self, points: FloatArray, engines: Sequence[CycleConfig], found: Results) -> FloatArray:
        """How early knock lets each settled point burn."""
        law = self.config.knock
        assert law is not None
        earliest = np.full(len(points), np.nan)
        for i, charge in enumerate(charges(self.config, points, found)):
            if found.settled[i]:
                earliest[i] = look(engines[i], charge, law).earliest
        return earliest

    def _run(self, points: FloatArray, engines: Sequence[CycleConfig], again: int) -> Results:
        """Simulate points until they settle, each with its engine's own combustion phasing."""
        c, count = self.config, len(points)
        self._variants = list({id(engine): engine for engine in engines}.values())
        if not all(engine is c or c.same_build(engine) for engine in self._variants):
            raise ValueError("engines of another build cannot be marched together")
        number = {id(engine): i for i, engine in enumerate(self._variants)}
        whose = [number[id(engine)] for engine in engines]
        if count and float(points[:, 1].max()) > c.most_load:
            raise InputError.one(
                f"a load of {float(points[:, 1].max()):.1f} kPa is not below the ambient {c.ambient_pressure:.1f} kPa",
                hint="full throttle is a small depression, for example 3 kPa",
            )
        wanted = [Point(n, p, i, e, engine) for (n, p, i, e), engine in zip(points.tolist(), whose, strict=True)]
        queue, out = Queue(self._schedule, wanted), Results.empty(count)
        marks = [fingerprint(c, self._mesh, engine, again) for engine in self._variants]
        for job in queue.homes():
            if (known := HOMES.get(self._key(marks, job))) is not None:
                out.put(job.places, known.results)
                queue.skip(job, known.end)
        while (steps := queue.next_steps()) is not None:
            self.set_steps(steps)
            self._march(queue, out, again, marks)
        return out

    def _march(self, queue: Queue, out: Results, again: int, marks: Sequence[str]) -> None:
        """March all that is ready for as many steps as are set now, and what becomes ready with it."""
        jobs: list[Job | None] = [None] * LANES
        settling = Settling(again)
        while self._fill(queue, jobs, settling):
            if self._stopped():
                raise Stopped
            courant = self.cycle()
            figures = filling_and_work(self.config, self.gas, self.net)
            lost = ~((courant <= 1.0) & np.isfinite(figures).all(axis=0))
            off = throttle.hold(self.net, self.steps, self.points[1])
            done = settling.judge(figures, off)
            for k, job in enumerate(jobs):
                if job is None or not (lost[k] or done[k]):
                    continue
                jobs[k] = None
                if lost[k] and queue.raise_steps(job):
                    continue
                settled = settling.settled & ~lost
                now = results(self.engines[k], self.gas, self.net, self.points[0], settled, settling.cycles)
                found = now.only([k])
                out.put(job.places, found)
                end = [x[:, k].copy() for x in self.net.state] if settled[k] else None
                if job.home is None and end is not None:
                    HOMES.put(self._key(marks, job), Settled(end, found))
                queue.finish(job, end)

    def _fill(self, queue: Queue, jobs: list[Job | None], settling: Settling) -> bool:
        """Give free lanes their next points; False when none has one. A lane without goes along with another."""
        for k in range(LANES):
            if jobs[k] is None and (job := queue.take(self.steps)) is not None:
                jobs[k] = job
                self._put(k, job)
                settling.begin(k, job.home is None)
        busy = next((k for k in range(LANES) if jobs[k] is not None), None)
        if busy is None:
            return False
        for k in range(LANES):
            if jobs[k] is None and not np.array_equal(self.points[:, k], self.points[:, busy]):
                self.points[:, k], self.engines[k] = self.points[:, busy], self.engines[busy]
                self.valves.stale[k] = True
                for x in self.net.state:
                    x[:, k] = x[:, busy]
        return True

    def _put(self, k: int, job: Job) -> None:
        """Put a point's start in lane `k`."""
        p, home = job.point, job.home
        end = None if home is None else home.end
        for x, start in zip(self.net.state, end or self._at_rest, strict=True):
            x[:, k] = start
        self.points[:, k], self.engines[k] = (p.rpm, p.load * 1e3, p.icl, p.ecl), self._variants[p.engine]
        self.valves.stale[k] = True
        if home is None or end is None:
            throttle.set_out(self.net, self.config.displacement, p.rpm, p.load * 1e3, k)
        elif home.point[:2] != p[:2]:
            throttle.move(self.net, p.rpm / home.point.rpm, home.point.load * 1e3, p.load * 1e3, k)

    def _key(self, marks: Sequence[str], job: Job) -> HomeKey:
        """What a home is known by. Parameters: `marks`, a digest for each engine of all that its points depend on."""
        return marks[job.point.engine], job.point[:4], self._schedule.steps(job.point)

    def cycle(self, watch: Callable[[int], None] | None = None) -> FloatArray:
        """One cycle; returns the largest Courant number met in each lane, nan if its state was lost.

        `watch`, where given, is called after each step with the step's number.
        """
        net, rows = self.net, self.net.rows
        rpm, _, icl, ecl = self.points
        dt = 120.0 / rpm / self.steps
        rows[:, ducts.STEP] = dt
        rows[:, ducts.FASTEST] = 0.0
        z = net.cylinders
        z[:, cyl.WORK : cyl.TRAPPED] = 0.0
        z[:, cyl.STEP] = dt
        z[:, cyl.PISTON] = 2.0 * self.config.stroke * 1e-3 * rpm / 60.0
        z[:, cyl.WALL : cyl.FIELDS] = np.stack(
            [cyl.given(e, float(n)) for e, n in zip(self.engines, rpm, strict=True)], 1
        )
        net.volumes[:, [march.V_SUM_P, march.V_IN, march.V_OUT]] = 0.0
        net.throttles[:, butterfly.SUM_P] = 0.0
        valves = self.valves.at(icl, ecl, np.array([engine.flow_factor for engine in self.engines]))
        course = march.Course(
            dt, valves.trap, net.offsets * (self.steps // self.config.cylinders), valves.phi,
            valves.opened, valves.stir, self.volume, self.wall,
        )  # fmt: skip
        if watch is None:
            march.run_steps(net.arrays, course, 0, self.steps)
        else:
            for step in range(self.steps):
                march.run_steps(net.arrays, course, step, step + 1)
                watch(step)
        return np.asarray((rows[:, ducts.FASTEST] * dt / net.arrays.geo[:, ducts.LENGTH, None]).max(axis=0))


def _as_they_burn(engines: Sequence[CycleConfig], points: FloatArray) -> list[CycleConfig]:
    """Each point's engine with its combustion phasing there; points alike in both share one."""
    found = dict[tuple[int, float], CycleConfig]()
    own = []
    for engine, (rpm, load) in zip(engines, points[:, :2].tolist(), strict=True):
        here = engine.at(rpm, load)
        own.append(found.setdefault((id(engine), here.half_burned), here))
    return own
