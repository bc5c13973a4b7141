"""What the logs show of the phasers as a piece of a project file: offered, never applied.

Every figure is rounded to the cautious side and says in a comment what it rests on. What the logs do not show stays a
comment, so that the piece never overwrites a stated value with nothing.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.project import Phaser, Project
from phaseopt.tables import number_text
from phaseopt.torque import PhaserResponse
from phaseopt.torque.phaser_steps import DIRECTIONS, Moves
from phaseopt.values.interval import INTERVAL

_DEGREE_STEP, _SPEED_STEP = 0.1, 5.0  # to which figures are rounded, degrees up, speeds down
SLOWEST = 1.0  # crank degrees a second: below this a speed rounds to nothing and is not offered


@dataclass(frozen=True)
class Offer:
    """One figure that the logs show: `key` of the phaser, what the project states, what was logged (rounded to the
    cautious side), what is sure (on the safe side of its uncertainty), and in words what it rests on."""

    key: str
    stated: float
    logged: float
    sure: float
    why: str

    @property
    def bolder(self) -> bool:
        """Whether the project counts on a phaser that is surely better than the one in the logs.

        >>> Offer("error", 1.0, 1.4, 0.9, "").bolder, Offer("error", 0.5, 1.4, 0.9, "").bolder
        (False, True)
        >>> Offer("slew.advance", 100.0, 85.0, 95.0, "").bolder
        True
        """
        return self.sure < self.stated if self.key.startswith("slew") else self.sure > self.stated


def section(project: Project, response: PhaserResponse) -> str:
    """Where a phaser stands in the project file."""
    return "phaser" if project.phaser is not None else f"{response.side}.phaser"


def offers(project: Project, response: PhaserResponse) -> tuple[Offer, ...]:
    """The figures that the logs show of one phaser, in the order of the project file."""
    phaser = project.phaser_of(response.side)
    assert phaser is not None
    found = tuple(_offers(phaser, response))
    # Only the looser rule between cells asks how late a phaser begins: else a figure nobody stated is no news.
    return (*found, *_delay(phaser, response)) if project.gap.between == BY_NAME else found


def _offers(phaser: Phaser, response: PhaserResponse) -> Iterator[Offer]:
    steady = response.steady
    if steady is not None:
        why = (
            f"{steady.bias:+.1f} ± {INTERVAL * steady.spread:.1f}° off the command, {steady.holds} holds,"
            f" {_speeds(steady.rpm_from, steady.rpm_to)}"
        )
        yield Offer("error", phaser.error, _up(steady.bound), steady.sure, why)
    if not math.isnan(response.swing):
        fitted = [step for step in response.steps if not step.fit.only_lowest and not step.at_stop]
        most = max(fitted, key=lambda step: step.fit.overshoot + INTERVAL * step.fit.overshoot_error)
        why = (
            f"at most {most.fit.overshoot:.1f} ± {INTERVAL * most.fit.overshoot_error:.1f}° past where it settles,"
            f" {len(fitted)} steps of {_sizes(step.end - step.start for step in fitted)}"
        )
        yield Offer("overshoot", phaser.overshoot, _up(response.swing), response.sure_swing, why)
    for direction in DIRECTIONS:
        moves = response.moving(direction)
        if moves is not None and moves.slowest >= SLOWEST:
            stated = getattr(phaser.slew, direction, math.nan)  # where the project does not give it
            yield Offer(f"slew.{direction}", stated, _down(moves.slowest), moves.sure_speed, _speed_words(moves))


def _delay(phaser: Phaser, response: PhaserResponse) -> Iterator[Offer]:
    """How late it is behind a moving target: the later of both directions, s, rounded up to a hundredth."""
    timed = [found for direction in DIRECTIONS if (found := response.moving(direction)) is not None]
    timed = [moves for moves in timed if not math.isnan(moves.late)]
    if timed:
        latest = max(timed, key=lambda moves: moves.late + INTERVAL * moves.late_error)
        logged = math.ceil(round((latest.late + INTERVAL * latest.late_error) * 100.0, 6)) / 100.0
        why = f"{latest.late:.2f} ± {INTERVAL * latest.late_error:.2f} s behind a moving target, {latest.direction}"
        yield Offer("delay", phaser.delay, logged, latest.late - INTERVAL * latest.late_error, why)


def _speed_words(moves: Moves) -> str:
    where = f"{moves.steps} step{'s' if moves.steps > 1 else ''}, {_speeds(moves.rpm_from, moves.rpm_to)}"
    if moves.only_lowest:
        return f"at least this; too few rows while it moves to tell more; {where}"
    return (
        f"mean {moves.speed:.0f} ± {INTERVAL * moves.speed_error:.0f}, begins {moves.delay:.2f} ±"
        f" {INTERVAL * moves.delay_error:.2f} s late; {where}"
    )


def fragment_text(project: Project, responses: Sequence[PhaserResponse]) -> str:
    """The piece of a project file, TOML, for all phasers: figures shown, and as comments what each rests on."""
    lines = [
        "# What the logs show of the phasers. Nothing of this is applied: compare, think, and copy what you accept.",
        "# Degrees are crank degrees rounded up, speeds crank degrees a second rounded down. It holds for the oil, the",
        "# pump and the wear of these logs: hot oil and age make a phaser slower and looser (ageing has its own key).",
        "# ± is 95 %: two standard deviations of an error, two standard errors of a mean.",
    ]
    for response in responses:
        lines += ["", f"[{section(project, response)}]"]
        found = offers(project, response)
        for offer in found:
            if not offer.key.startswith("slew"):
                lines += [f"{offer.key} = {number_text(offer.logged)}  # {_beside(offer)}"]
        slews = {offer.key.removeprefix("slew."): offer for offer in found if offer.key.startswith("slew")}
        lines += [f"# slew, {direction}: {_beside(offer)}" for direction, offer in slews.items()]
        values = ", ".join(f"{direction} = {number_text(offer.logged)}" for direction, offer in slews.items())
        if len(slews) == len(DIRECTIONS):
            lines += [f"slew = {{ {values} }}"]
        elif slews:
            lines += [f"# slew has to state both directions; shown is {values}"]
        lines += [f"# not shown: {why}" for why in response.not_shown]
    return "\n".join(lines) + "\n"


def _beside(offer: Offer) -> str:
    bolder = "; THE PROJECT IS BOLDER" if offer.bolder else ""
    stated = "nothing" if math.isnan(offer.stated) else number_text(offer.stated)
    return f"the project states {stated}{bolder}; {offer.why}"


def _speeds(least: float, most: float) -> str:
    """Two speeds in words, rounded to 10 rpm.

    >>> _speeds(2012.0, 5988.0), _speeds(3001.0, 3002.0)
    ('2010 to 5990 rpm', '3000 rpm')
    """
    low, high = round(least, -1), round(most, -1)
    return f"{low:.0f} rpm" if low == high else f"{low:.0f} to {high:.0f} rpm"


def _sizes(ways: Iterator[float]) -> str:
    sizes = [abs(way) for way in ways]
    low, high = round(min(sizes)), round(max(sizes))
    return f"{low}°" if low == high else f"{low} to {high}°"


def _up(degrees: float) -> float:
    """Up to a tenth of a degree.

    >>> _up(1.21), _up(1.2)
    (1.3, 1.2)
    """
    return round(math.ceil(round(degrees / _DEGREE_STEP, 6)) * _DEGREE_STEP, 1)


def _down(speed: float) -> float:
    """Down to five degrees a second, below twenty to one.

    >>> _down(123.0), _down(8.6)
    (120.0, 8.0)
    """
    step = _SPEED_STEP if speed >= 20.0 else 1.0
    return math.floor(speed / step) * step
