"""Dips of torque over speed, each with its cause and the torque gained if that is removed.

A dip is where the torque of the best tables is below a smooth curve, the least concave one over it, by more than two
standard deviations of that difference (whose parts share their uncertainty). Its cause is found by taking each thing
that limits the tables out of the rules and searching again: the cause is what fills most of the dip, if it fills a
quarter of it. Beyond contact limits and travel torque is the model's guess: where its uncertainty leaves open whether
such a limit is the cause, the cause is not named, and the pull that would show it is. First the data are asked: mixture
or ignition that differed there, or no data. What nothing fills is the engine's breathing: timing inside these limits
does not fix it.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.job.concave_envelope import concave_envelope
from phaseopt.job.label_space import BOX_ENDS
from phaseopt.job.mixture_and_spark import UnlikeAir, unlike_air
from phaseopt.job.resolve import Resolver
from phaseopt.project import SIDES
from phaseopt.search.objective import charged, search_problem, torque_map
from phaseopt.search.problem import Problem
from phaseopt.search.solver import SearchResult
from phaseopt.surrogate import TorqueSurface
from phaseopt.torque_model import TorqueModel
from phaseopt.values.arrays import FloatArray, IntArray, cells_of

DEVIATIONS = 2.0
LEAST_DEPTH = 0.1  # N·m; less is not reported, however sure
FILLED = 0.25  # of a dip that its cause must fill, and bring in torque

CONTACT, TRAVEL, CHANGES, RULE = "contact limit", "end of travel", "phaser speed or smoothness", "rule of the project"
LOGS, THIN, OWN = "mixture or ignition in the logs", "data too thin to say", "the engine's breathing"
UNSURE = "cannot tell"  # a limit is in the way, and torque beyond it is not known well enough
COSTS = "what part load costs"
CAUSES = (CONTACT, TRAVEL, CHANGES, RULE, LOGS, THIN, OWN, UNSURE)
ALONG = 7  # timings along each cam that are looked at for one that nobody tried
NEAR = 3.0  # crank degrees from a pull within which a timing counts as tried


@dataclass(frozen=True, eq=False)
class Dip:
    """A dip at one load.

    Attributes
    ----------
    load : float
        Of the tables [kPa].
    rpm_from, rpm_to : float
        The first and the last speed in it.
    rpm, depth, deviation : float
        Where it is deepest, how far below the smooth curve [N·m], and the standard deviation of that.
    cause : str
        One of `CAUSES`.
    names : tuple of str
        What limits the tables there, as `search.limited_by` names it.
    degrees : tuple of (str, float)
        By edge, how far beyond its limit the tables would go [crank degrees].
    gain, gain_sd : float or None
        Mean torque gained in the dip without the cause, and its standard deviation [N·m]; None where no search can show
        it.
    air : UnlikeAir or None
        What differed in the logs.
    pull : (float, float) or None
        Where the cause is open, intake and exhaust phase of a safe pull that would show it; None where pulls
        were made there already.

    Examples
    --------
    >>> Dip(100.0, 3500.0, 4500.0, rpm=4000.0, depth=6.0, deviation=1.5, cause=TRAVEL).cause
    'end of travel'
    """

    load: float
    rpm_from: float
    rpm_to: float
    rpm: float
    depth: float
    deviation: float
    cause: str
    names: tuple[str, ...] = ()
    degrees: tuple[tuple[str, float], ...] = ()
    gain: float | None = None
    gain_sd: float | None = None
    air: UnlikeAir | None = None
    pull: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class _Place:
    """A dip before its cause is known: the `cells` (speeds) of column `load`, with `depth` and `deviation` of each."""

    load: int
    cells: IntArray
    depth: FloatArray
    deviation: FloatArray


def dips(resolver: Resolver, model: TorqueModel) -> tuple[Dip, ...]:
    """The dips of the best tables at every load, full load first."""
    loads = reversed(range(resolver.problem.load.size))
    places = [place for load in loads for place in _places(resolver, model.surface, load)]
    return tuple(_dip(resolver, model, place) for place in places)


def _places(resolver: Resolver, surface: TorqueSurface, load: int) -> list[_Place]:
    """Runs of neighbouring speeds below the smooth curve by more than their uncertainty."""
    mean, covariance = _curve(resolver, surface, resolver.base, load)
    known = np.flatnonzero(np.isfinite(mean))
    if known.size < 3:
        return []
    mean, covariance = mean[known], covariance[np.ix_(known, known)]
    contrast = concave_envelope(resolver.problem.rpm[known], mean).shares - np.eye(known.size)
    depth = contrast @ mean
    deviation = np.sqrt(np.clip(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 0.0, None))
    below = (depth > DEVIATIONS * deviation) & (depth > LEAST_DEPTH)
    runs = np.split(np.flatnonzero(below), np.flatnonzero(np.diff(np.flatnonzero(below)) > 1) + 1)
    return [_Place(load, known[run], depth[run], deviation[run]) for run in runs if run.size]


def _curve(resolver: Resolver, surface: TorqueSurface, found: SearchResult, load: int) -> tuple[FloatArray, FloatArray]:
    """Torque of a column of the tables over speed and its covariance."""
    return surface.joint(_inputs(resolver, found, load, np.arange(resolver.problem.rpm.size)))


def _inputs(resolver: Resolver, found: SearchResult, load: int, cells: IntArray) -> FloatArray:
    """(n, 4) speed, load and true centrelines of cells of a column of tables."""
    intake = found.intake[cells, load]
    exhaust = intake if resolver.contact.tied else found.exhaust[cells, load]
    engine = resolver.contact.engine
    return np.column_stack(
        [
            resolver.problem.rpm[cells],
            np.full(cells.size, resolver.problem.load[load]),
            engine.intake.true_centreline(intake),
            engine.exhaust.true_centreline(exhaust),
        ]
    )


def _dip(resolver: Resolver, model: TorqueModel, place: _Place) -> Dip:
    surface = model.surface
    deepest = int(place.depth.argmax())
    rpm = resolver.problem.rpm
    dip = Dip(
        float(resolver.problem.load[place.load]),
        float(rpm[place.cells[0]]),
        float(rpm[place.cells[-1]]),
        float(rpm[place.cells[deepest]]),
        float(place.depth[deepest]),
        float(place.deviation[deepest]),
        OWN,
    )
    if model.reduction is not None:
        air = unlike_air(model.reduction.points, resolver.problem.load, place.load, _span(rpm, place.cells))
        if air is not None:
            gain, deviation = _without_points(resolver, model, place, air)
            return replace(dip, cause=LOGS, air=air, gain=gain, gain_sd=deviation)
    lost = (resolver.base.unsupported | resolver.base.relaxed)[place.cells, place.load]
    if 2 * np.count_nonzero(lost) >= lost.size:
        return replace(dip, cause=THIN)
    best, share, depth = dip, FILLED, float(place.depth.mean())
    open_question: Dip | None = None
    for cause, name in _suspects(resolver, place):
        found = _without(resolver, cause, name)
        if found is None:
            continue
        filled = _filled(resolver, surface, place, found)
        gain, deviation = _gain(resolver, surface, place, found)
        guessed = cause in (CONTACT, TRAVEL)
        if filled <= share and not (guessed and filled + DEVIATIONS * deviation / depth > FILLED):
            continue
        degrees = _beyond(resolver, place, cause, found)
        names = _names(resolver, place, cause, name, degrees)
        named = replace(dip, cause=cause, names=names, degrees=degrees, gain=gain, gain_sd=deviation)
        if filled > share and not (guessed and gain < DEVIATIONS * deviation):
            best, share = named, filled
        elif open_question is None:
            open_question = replace(named, cause=UNSURE, pull=_telling_pull(resolver, model, place))
    if best.cause in (OWN, THIN) and open_question is not None:
        return open_question
    if best.cause == OWN and (pull := _untried(resolver, surface, place)) is not None:
        return replace(dip, cause=UNSURE, pull=pull)
    return best


def _untried(resolver: Resolver, surface: TorqueSurface, place: _Place) -> tuple[float, float] | None:
    """The safe timing that may, by its uncertainty, fill most of a dip, where that is as much as a cause fills."""
    a_from, a_to, b_from, b_to = resolver.base.box
    spans = ((resolver.problem.intake, a_from, a_to), (resolver.problem.exhaust, b_from, b_to))
    intake, exhaust = (np.unique(axis[np.linspace(low, high, ALONG).astype(int)]) for axis, low, high in spans)
    tied = resolver.contact.tied
    labels = np.column_stack([intake, intake]) if tied else cells_of(intake, exhaust)
    engine, cells = resolver.contact.engine, place.cells
    x = [_inputs(resolver, resolver.base, place.load, cells)]
    for phases in labels:
        here = x[0].copy()
        here[:, 2], here[:, 3] = (
            engine.cam(side).true_centreline(phase) for side, phase in zip(SIDES, phases, strict=True)
        )
        x.append(here)
    mean, covariance = surface.joint(np.concatenate(x))
    share = np.hstack([np.full((len(labels), 1), -1.0), np.eye(len(labels))])
    contrast = np.kron(share, np.full((1, cells.size), 1.0 / cells.size))
    gain = contrast @ mean
    deviation = np.sqrt(np.clip(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 0.0, None))
    may = np.where(np.isfinite(gain), gain + DEVIATIONS * deviation, -np.inf)
    best = int(may.argmax())
    if may[best] <= FILLED * float(place.depth.mean()):
        return None
    return float(labels[best, 0]), float(labels[best, 1])


def _telling_pull(resolver: Resolver, model: TorqueModel, place: _Place) -> tuple[float, float] | None:
    """The timing at the limit where a dip is deepest, unless a pull was made as near to it."""
    at = int(place.cells[int(place.depth.argmax())])
    intake = float(resolver.base.intake[at, place.load])
    exhaust = intake if resolver.contact.tied else float(resolver.base.exhaust[at, place.load])
    made = resolver.contact.engine.phases(model.surface.readings.x[:, 2:])
    tried = len(made) > 0 and float(np.hypot(*(made - [intake, exhaust]).T).min()) < NEAR
    return None if tried else (intake, exhaust)


def _span(rpm: FloatArray, cells: IntArray) -> tuple[float, float]:
    """Speeds of cells, with half a step to the next on either side."""
    edges = np.r_[rpm[0], (rpm[1:] + rpm[:-1]) / 2, rpm[-1]]
    return float(edges[cells[0]]), float(edges[cells[-1] + 1])


def _suspects(resolver: Resolver, place: _Place) -> list[tuple[str, str]]:
    """What may cause a dip: all that limits its cells or those beside them, and uncertainty."""
    limiting = _limiting_there(resolver, place)
    found = []
    if any(name.startswith("box ") for name in limiting):
        found.append((CONTACT, ""))
    if any(name.startswith("travel ") for name in limiting):
        found.append((TRAVEL, ""))
    if limiting.keys() & {"slew", "roughness"}:
        found.append((CHANGES, ""))
    found += [(RULE, name) for name in resolver.problem.rules if name in limiting]
    if charged(resolver.project, resolver.torque)[:, place.load].any():
        found.append((RULE, COSTS))
    return [*found, (THIN, "")]


def _limiting_there(resolver: Resolver, place: _Place) -> Counter[str]:
    """How often each thing limits the cells of a dip and the two beside it."""
    cells = range(max(place.cells[0] - 1, 0), min(place.cells[-1] + 2, resolver.problem.rpm.size))
    return Counter(name for r in cells for name in resolver.limited_by[r][place.load])


def _without(resolver: Resolver, cause: str, name: str) -> SearchResult | None:
    """The search without a cause."""
    if cause == CONTACT:
        return resolver.solved(cause, resolver.problem, [resolver.space.travel])
    if cause == TRAVEL:
        return resolver.solved(cause, resolver.problem, resolver.space.boxes(travel=dict.fromkeys(BOX_ENDS, 10**6)))
    if cause == THIN:
        return resolver.solved(cause, resolver.without_caution())
    if name == COSTS:
        return resolver.solved(name, resolver.without_costs())
    return resolver.solved(cause + name, _freed(resolver.problem, cause, name))


def _freed(problem: Problem, cause: str, name: str) -> Problem:
    if cause == CHANGES:
        free = np.tile([-np.inf, np.inf], (problem.rpm.size - 1, 1))
        return replace(problem, roughness=0.0, intake_slew=free, exhaust_slew=free)
    return replace(problem, rules={key: mask for key, mask in problem.rules.items() if key != name})


def _filled(resolver: Resolver, surface: TorqueSurface, place: _Place, found: SearchResult) -> float:
    """The share of a dip that other tables fill: of its mean depth, and not more than the torque they bring there."""
    before, _ = _curve(resolver, surface, resolver.base, place.load)
    after, _ = _curve(resolver, surface, found, place.load)
    known = np.flatnonzero(np.isfinite(before) & np.isfinite(after))
    cells = np.searchsorted(known, np.intersect1d(known, place.cells))
    if not cells.size:
        return 0.0
    curve = after[known]
    left = (concave_envelope(resolver.problem.rpm[known], curve).shares @ curve - curve)[cells].mean()
    depth = place.depth.mean()
    gain = (after - before)[known][cells].mean()
    return float(min(gain, depth - left) / depth)


def _gain(resolver: Resolver, surface: TorqueSurface, place: _Place, found: SearchResult) -> tuple[float, float]:
    """Mean torque gained in the cells of a dip, and its deviation."""
    x = [_inputs(resolver, tables, place.load, place.cells) for tables in (found, resolver.base)]
    mean, covariance = surface.joint(np.concatenate(x))
    share = np.repeat([1.0, -1.0], place.cells.size) / place.cells.size
    return float(share @ mean), float(np.sqrt(max(float(share @ covariance @ share), 0.0)))


def _without_points(
    resolver: Resolver, model: TorqueModel, place: _Place, air: UnlikeAir
) -> tuple[float | None, float | None]:
    """Mean torque gained in a dip had the points that differ not been made, the search made again, and its
    deviation.

    The deviation is that of torque without those points: near none where nothing else was measured there.
    """
    surface = model.without(air.points)
    if surface is None:
        return None, None
    torque = torque_map(resolver.space.limits, surface)
    torque = replace(torque, quantities=resolver.torque.quantities)
    problem, _ = search_problem(resolver.project, resolver.space.limits, torque)
    found = resolver.solved(f"{LOGS} {place.load} {place.cells}", problem)
    before, _ = model.surface.joint(_inputs(resolver, resolver.base, place.load, place.cells))
    after, covariance = surface.joint(_inputs(resolver, found or resolver.base, place.load, place.cells))
    return float((after - before).mean()), float(np.sqrt(covariance.mean()))


def _names(
    resolver: Resolver, place: _Place, cause: str, name: str, degrees: tuple[tuple[str, float], ...]
) -> tuple[str, ...]:
    """What limits it there of that cause, most often first; of limits only those that the tables would go beyond."""
    limiting = [key for key, _ in _limiting_there(resolver, place).most_common()]
    kinds = {CONTACT: ("box ",), TRAVEL: ("travel ",), CHANGES: ("slew", "roughness")}
    if degrees:
        limiting = [key for key in limiting if key.partition(" ")[2] in dict(degrees)]
    if cause in kinds:
        return tuple(key for key in limiting if key.startswith(kinds[cause]))
    return (name,) if name else ()


def _beyond(resolver: Resolver, place: _Place, cause: str, found: SearchResult) -> tuple[tuple[str, float], ...]:
    """By edge, how far beyond today's limit the tables go in the dip without it, crank degrees."""
    limit = {CONTACT: resolver.base.box, TRAVEL: resolver.space.travel}.get(cause)
    if limit is None:
        return ()
    beyond = []
    for edge, (at, sign) in BOX_ENDS.items():
        axis, table = (resolver.problem.intake, found.intake) if at < 2 else (resolver.problem.exhaust, found.exhaust)
        most = float((sign * (table[place.cells, place.load] - axis[limit[at]])).max())
        if most > 0.0:
            beyond.append((edge, most))
    return tuple(beyond)
