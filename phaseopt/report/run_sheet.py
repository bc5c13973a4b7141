"""The run sheet as a page to print (A4 or Letter) and take to the dyno: what to set, how near things come, blanks."""

import math
from typing import Any

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.rules import CLEAR
from phaseopt.project import SIDES, Side
from phaseopt.report.layout import Row, Table
from phaseopt.report.page import fill
from phaseopt.report.run_sheet_text import (
    BEFORE,
    GENERATOR,
    KINDS,
    clamp_words,
    expected_words,
    moving_sides,
    phase_text,
    to_log,
)
from phaseopt.report.text import cautions
from phaseopt.study.run_sheet import RunSheet, SheetPull
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit


def run_sheet_page(sheet: RunSheet) -> str:
    """The page of a run sheet: cautions, what to do, all pulls on one table, then each pull with its blanks."""
    model = sheet.model
    sides = moving_sides(sheet)
    return fill(
        "run_sheet.html.j2",
        {
            "generator": GENERATOR,
            "name": model.project.name,
            "purpose": f"Run sheet: {len(sheet.pulls)} pulls, in the order to make them, from safe to bold.",
            "cautions": cautions(),
            "not_covered": model.not_covered,
            "stop": f"{sheet.stop[0].upper()}{sheet.stop[1:]}",
            "expected": expected_words(sheet),
            "notes": sheet.notes,
            "before": (*BEFORE, clamp_words(sheet)),
            "log": to_log(model.project),
            "overview": _overview(sheet, sides),
            "pulls": [_pull(sheet, pull, sides) for pull in sheet.pulls],
        },
    )


def _overview(sheet: RunSheet, sides: tuple[Side, ...]) -> Table:
    shown = sheet.model.project.display_units
    unit = shown.gap
    rows = [
        Row(
            f"{pull.number}",
            (
                KINDS[pull.kind],
                *(phase_text(pull, f"{side}_phase") for side in sides),
                *(phase_text(pull, name) for name in _centrelines(sides)),
                *(f"{unit.down(pull.box.static[c])} / {unit.down(pull.box.running[c])}" for c in sheet.model.contacts),
                _worth(pull.expected_gain, shown.torque),
            ),
        )
        for pull in sheet.pulls
    ]
    contacts = [WORDS[contact] for contact in sheet.model.contacts]
    head = (
        "pull",
        "kind",
        *(f"{side} phase" for side in sides),
        *_centrelines(sides),
        *contacts,
        f"worth, {shown.torque.name}",
    )
    caption = (
        f"All pulls, angles in crank degrees. Least guaranteed gaps in {unit.name}, on the way from rest too: "
        f"static / running, up to {sheet.model.top_speed:.0f} rpm. Worth: "
        "what the pull is expected to add to the mean torque of the final tables at full load"
    )
    return Table(caption, head, tuple(rows))


def _centrelines(sides: tuple[Side, ...]) -> list[str]:
    return ["icl" if side == "intake" else "ecl" for side in sides]


def _worth(worth: float, unit: Unit) -> str:
    return "" if math.isnan(worth) else unit.number(worth, 1)


def _pull(sheet: RunSheet, pull: SheetPull, sides: tuple[Side, ...]) -> dict[str, Any]:
    return {
        "title": f"Pull {pull.number}: {KINDS[pull.kind]}",
        "settings": _settings(pull, sides),
        "gaps": _gaps(sheet, pull),
        "rest": [_rest(sheet, side) for side in sides],
    }


def _settings(pull: SheetPull, sides: tuple[Side, ...]) -> Table:
    """A row a speed, or one row where the timing is held."""
    at = pull.timings.isel(rpm=slice(0, 1)) if pull.held else pull.timings
    columns = [name for side in sides for name in (f"{side}_phase", f"{side}_reading", *_centrelines((side,)))]
    columns = [name for name in columns if name in at]
    words = {"icl": "icl, ° ATDC", "ecl": "ecl, ° BTDC"}
    words |= {f"{side}_phase": f"{side} phase, crank ° from rest" for side in SIDES}
    words |= {f"{side}_reading": f"{side}, as the log counts" for side in SIDES}
    rows = [
        Row(
            "all speeds" if pull.held else f"{float(rpm):.0f}",
            tuple(number_text(round(float(at[name].sel(rpm=rpm)), 1)) for name in columns),
        )
        for rpm in at["rpm"].to_numpy()
    ]
    caption = "Timing to hold" if pull.held else "Timing by speed, straight lines between; the same at every load"
    return Table(caption, ("rpm", *(words[name] for name in columns)), tuple(rows))


def _gaps(sheet: RunSheet, pull: SheetPull) -> Table:
    model, unit = sheet.model, sheet.model.project.display_units.gap
    rows = [
        Row(
            WORDS[contact],
            (
                unit.number(pull.by_hand(contact)),
                f"{unit.down(pull.box.static[contact])} (rule {unit.number(required)})",
                f"{unit.down(pull.box.running[contact])} (rule {unit.number(model.reserve)})",
            ),
        )
        for contact, required in zip(model.contacts, model.required.tolist(), strict=True)
    ]
    head = ("", "by hand, cold, lash as set", "guaranteed static", f"guaranteed running, {model.top_speed:.0f} rpm")
    return Table(f"Least gaps, {unit.name}: {CLEAR} of both rules", head, tuple(rows))


def _rest(sheet: RunSheet, side: Side) -> str:
    """What to look for at rest before a pull."""
    torque = sheet.model.project.torque
    channel = None if torque is None else torque.phases.intake if side == "intake" else torque.phases.exhaust
    should = "" if channel is None else f" (should read {number_text(channel.zero)})"
    return f"{side} phase at rest{should}"
