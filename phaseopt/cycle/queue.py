"""Points that wait to be simulated, and which of them may go next."""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from phaseopt.cycle.schedule import MOST_RAISED, Point, Schedule
from phaseopt.values.arrays import FloatArray


@dataclass(eq=False)
class Job:
    """One point: its `home`, where it goes in the results, and what came of it.

    `end` is the state that it settled in (None: it did not), kept as long as `followers` need it to start from.
    """

    point: Point
    home: "Job | None"
    steps: int
    places: list[int] = field(default_factory=list)
    followers: int = 0
    raised: int = 0
    over: bool = False
    end: list[FloatArray] | None = None


class Queue:
    """Jobs for points and their homes; a job is ready when its home is over."""

    def __init__(self, schedule: Schedule, points: Iterable[Point]) -> None:
        self._schedule = schedule
        self._jobs: dict[Point, Job] = {}
        self._ready: dict[int, deque[Job]] = {}
        for place, point in enumerate(points):
            self._job(point).places.append(place)
        waiting: dict[Job, list[Job]] = {}
        for job in self._jobs.values():
            if job.home is None:
                self._put(job)
            else:
                job.home.followers += 1
                waiting.setdefault(job.home, []).append(job)
        self._waiting = waiting

    def _job(self, point: Point) -> Job:
        if point not in self._jobs:
            home = self._schedule.home(point)
            self._jobs[point] = Job(point, None if home is None else self._job(home), self._schedule.steps(point))
        return self._jobs[point]

    def _put(self, job: Job) -> None:
        self._ready.setdefault(job.steps, deque()).append(job)

    def homes(self) -> list[Job]:
        """Homes that are ready."""
        return [job for jobs in self._ready.values() for job in jobs if job.home is None]

    def skip(self, job: Job, end: list[FloatArray]) -> None:
        """A ready job need not be marched, since the state that it settles in is known."""
        self._ready[job.steps].remove(job)
        self.finish(job, end)

    def next_steps(self) -> int | None:
        """The number of steps that most ready homes have, then most points; None when none is left."""
        counts = [(sum(j.home is None for j in js), len(js), steps) for steps, js in self._ready.items() if js]
        return max(counts)[2] if counts else None

    def take(self, steps: int) -> Job | None:
        """The next ready job of so many steps."""
        jobs = self._ready.get(steps)
        return jobs.popleft() if jobs else None

    def finish(self, job: Job, end: list[FloatArray] | None) -> None:
        """A job is over; `end` is the state that it settled in."""
        job.over = True
        followers = self._waiting.pop(job, [])
        job.end = end if followers else None
        for follower in followers:
            self._put(follower)
        self._leave(job)

    def raise_steps(self, job: Job) -> bool:
        """Put a job back for more steps; False if it has had enough of them."""
        job.raised += 1
        job.steps = self._schedule.steps(job.point, job.raised)
        if job.raised <= MOST_RAISED:
            self._put(job)
        return job.raised <= MOST_RAISED

    def _leave(self, job: Job) -> None:
        """A home's state is forgotten when the last point that starts from it is over."""
        if job.home is not None:
            job.home.followers -= 1
            if not job.home.followers:
                job.home.end = None
