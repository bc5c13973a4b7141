"""The page of a trade-off study."""

from phaseopt.report.figures.tradeoff import tradeoff_figure
from phaseopt.report.layout import Row, Table, picture
from phaseopt.report.page import fill
from phaseopt.report.text import cautions
from phaseopt.report.tradeoff_text import (
    DEFINITION,
    UNITS,
    contact_words,
    curve,
    fragment_text,
    head,
    knee_words,
    named,
    row,
    study_words,
)
from phaseopt.study.tradeoff import Tradeoff

CAPTION = (
    "Each dot is the best pair of tables under some roughness, caution and slew_share. The line joins what has the "
    "most torque at or below each value; its numbers are those of the trials. The star is the knee."
)


def tradeoff_page(found: Tradeoff) -> str:
    """One page as HTML: the knee, the curve, the trials with a name, and those along the curve."""
    names = named(found)
    shown = {place for _, place in names}
    along = [place for place in reversed(curve(found, "rms_step")) if place not in shown]
    rows = [Row(name, row(found, place), strong=place == found.knee) for name, place in names]
    rows += [Row("on the curve", row(found, place)) for place in along]
    return fill(
        "tradeoff.html.j2",
        {
            "name": found.project.name,
            "lines": (knee_words(found), f"{DEFINITION}.", contact_words(found), *study_words(found), *found.notes),
            "accepted": found.verdict.accepted,
            "not_covered": found.verdict.not_covered,
            "cautions": cautions(),
            "figure": picture(tradeoff_figure(found), CAPTION),
            "table": Table(f"Trials: {UNITS}", ("", *head(found.project.display_units.torque)), tuple(rows)),
            "fragment": fragment_text(found),
        },
    )
