"""Dips of torque: where, how deep, why, and what removing the cause would gain."""

from dataclasses import replace
from typing import TYPE_CHECKING

from phaseopt.job.dips import CHANGES, CONTACT, LOGS, OWN, RULE, THIN, TRAVEL, UNSURE, Dip
from phaseopt.report.document import Row, Table
from phaseopt.report.facts import binder_words
from phaseopt.report.words import capital, phase_text
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_CHANNELS = {"mixture": ("mixture", "lambda", 2), "spark_retard": ("spark retard", "°", 1)}
_OWN = "the engine's breathing: safe timing recovers less than a quarter of it"
_MANY = 3  # dips alike that one row can stand for
EXPLAINED = (
    "Each dip is below the smooth curve that fills it. Its cause is the limit that, taken away, lets a new search fill "
    "at least a quarter of it. What is beyond contact limits or travel is never written, and torque there may never "
    "have been measured."
)


def dip_lines(build: "Build") -> list[str]:
    """The dips at full throttle, one by one, and how many there are below it."""
    full, unit = build.project.tables.load[-1], build.project.display_units.torque
    lines = [f"{dip_words(dip, unit)}." for dip in build.explanations.dips if dip.load == full]
    below = sorted({dip.load for dip in build.explanations.dips if dip.load != full})
    if below:
        count = sum(dip.load != full for dip in build.explanations.dips)
        lines.append(f"Below full throttle: {count} more, at {', '.join(f'{load:g}' for load in below)} kPa.")
    return lines or ["No dip is deeper than its uncertainty."]


def dip_words(dip: Dip, unit: Unit) -> str:
    """A dip with its cause, in a sentence."""
    return (
        f"{dip.load:g} kPa, {_span(dip)} rpm: {unit.number(dip.depth)} ± {unit.text(INTERVAL * dip.deviation)} below a "
        f"smooth curve at {dip.rpm:.0f} rpm. {capital(cause_words(dip, unit))}"
    )


def _span(dip: Dip) -> str:
    return f"{dip.rpm_from:.0f}" if dip.rpm_from == dip.rpm_to else f"{dip.rpm_from:.0f} to {dip.rpm_to:.0f}"


def cause_words(dip: Dip, unit: Unit) -> str:
    """The cause of a dip and what removing it would gain."""
    gain = ""
    if dip.gain is not None and dip.gain_sd is not None:
        gain = f". Removed: {unit.plus_minus_text(dip.gain, dip.gain_sd)} there"
    if dip.cause == OWN:
        return _OWN
    if dip.cause == LOGS and dip.air is not None:
        name, of, digits = _CHANNELS[dip.air.channel]
        return (
            f"{name} differed there in the logs: {dip.air.there:.{digits}f} {of} against "
            f"{dip.air.elsewhere:.{digits}f} elsewhere{gain}"
        )
    if dip.cause == THIN:
        return f"the data are too thin to say{gain}"
    if dip.cause == UNSURE:
        return _unsure_words(dip)
    names = ", ".join(map(binder_words, dip.names)) or dip.cause
    rule = {CONTACT: "", TRAVEL: "", CHANGES: "", RULE: "a rule of the project, "}[dip.cause]
    far = ", ".join(f"{degrees:g}° more of {edge}" for edge, degrees in dip.degrees)
    return f"limited by {rule}{names}" + (f". It would take {far}" if far else "") + gain


def _unsure_words(dip: Dip) -> str:
    """A limit may be the cause, but torque beyond it is a guess."""
    names = ", ".join(map(binder_words, dip.names))
    if dip.pull is None:
        return f"cannot tell: {names or 'a limit'} may limit it, pulls go up to there, and torque beyond is a guess"
    intake, exhaust = map(phase_text, dip.pull)
    why = f"{names} may limit it" if names else "another safe timing may fill it"
    return f"cannot tell: {why}. A pull at intake {intake}, exhaust {exhaust} would show it: check that by hand first"


def dip_table(build: "Build") -> Table:
    """Every dip; those of the engine's breathing at part load in one row, since timing cures none of them."""
    unit, full = build.project.display_units.torque, build.project.tables.load[-1]
    dips = build.explanations.dips
    alike = [dip for dip in dips if dip.cause == OWN and dip.load != full]
    rows = [_row(dip, unit) for dip in dips if len(alike) < _MANY or dip not in alike]
    if len(alike) >= _MANY:
        loads, speeds = [dip.load for dip in alike], [rpm for dip in alike for rpm in (dip.rpm_from, dip.rpm_to)]
        cause = f"{capital(_OWN)}, in each of these {len(alike)}"
        depth = f"up to {unit.number(max(dip.depth for dip in alike))}"
        span = f"{min(speeds):.0f} to {max(speeds):.0f}"
        rows.append(Row(f"{min(loads):g} to {max(loads):g}", (span, depth, cause, "")))
    head = ("load, kPa", "rpm", f"depth, {unit.name}", "cause", f"gain if removed, {unit.name}")
    return Table("Dips below a smooth curve, deeper than their uncertainty", head, tuple(rows))


def _row(dip: Dip, unit: Unit) -> Row:
    gain = "" if dip.gain is None else unit.plus_minus(dip.gain, dip.gain_sd or 0.0)
    depth = f"{unit.number(dip.depth)} ± {unit.number(INTERVAL * dip.deviation)}"
    cause = capital(cause_words(replace(dip, gain=None), unit))  # its gain has a column of its own
    return Row(f"{dip.load:g}", (_span(dip), depth, cause, gain))
