"""The page of a confirming pull."""

from typing import Any

from phaseopt.report.confirm_text import (
    STATISTIC,
    contact_words,
    entry_text,
    gain_words,
    phase_lines,
    table_rows,
    verdict_words,
)
from phaseopt.report.layout import Row, Table, picture
from phaseopt.report.page_template import fill
from phaseopt.report.text import cautions
from phaseopt.study.confirm import Confirmation

_CAPTIONS = {
    "torque.svg": "Torque at the pull's highest load. The band holds nine of ten such pulls at each speed taken alone: "
    "prediction, the pull's own offset and noise together.",
    "phases.svg": "A phase that stands off its table is torque at another timing, and gap at another timing.",
}


def confirm_page(found: Confirmation, name: str, pull: str, entry: dict[str, Any], figures: dict[str, str]) -> str:
    """One page as HTML.

    Parameters: `name` of the project and of the `pull`; `entry` with which it joins the data; `figures`, SVG by name.
    """
    head, rows = table_rows(found)
    return fill(
        "confirm.html.j2",
        {
            "name": name,
            "pull": pull,
            "verdict": verdict_words(found),
            "fulfilled": found.fulfilled,
            "lines": (gain_words(found), *phase_lines(found), contact_words(found), f"How judged: {STATISTIC}."),
            "notes": found.notes,
            "cautions": cautions(),
            "figures": [picture(svg, _CAPTIONS[key]) for key, svg in figures.items()],
            "table": Table(
                f"By speed: torque in {found.project.display_units.torque.name} with 90 % intervals, phases in crank "
                "degrees from rest, the tables' in brackets",
                head,
                tuple(Row(row[0], row[1:]) for row in rows),
            ),
            "entry": entry_text(entry),
        },
    )
