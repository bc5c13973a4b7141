"""The page of a study of installed offsets."""

from phaseopt.report.figures.offsets import offsets_figures
from phaseopt.report.layout import Row, Table, picture
from phaseopt.report.offsets_text import (
    LEGEND,
    choice_cells,
    choices,
    doubt_lines,
    front_lines,
    head,
    how_to,
    recommended_words,
    refused_lines,
    tried_words,
)
from phaseopt.report.page import fill
from phaseopt.report.text import cautions
from phaseopt.study.offsets import OffsetStudy

CAPTIONS = {
    "front.svg": "Each point is a whole solve. Grey ground: a phaser that goes to an end of its travel breaks a rule, "
    "so the tables are the only guard.",
    "offsets.svg": "The colour is the score of the best tables there: torque less doubt and roughness.",
    "gain.svg": "Doubts that both offsets share cancel: the doubt of a gain is less than that of its parts.",
}


def offsets_page(study: OffsetStudy) -> str:
    """One page as HTML."""
    named, shown = choices(study), study.project.display_units
    return fill(
        "offsets.html.j2",
        {
            "name": study.project.name,
            "verdict": recommended_words(study),
            "found": study.recommended is not None,
            "notes": study.notes,
            "lines": (f"Tried: {tried_words(study)}.", *refused_lines(study)),
            "table": Table(
                "The choices: " + " ".join(LEGEND),
                ("choice", *head(shown)),
                tuple(Row(name, choice_cells(each, shown)) for name, each in named),
            ),
            "doubt": doubt_lines(study),
            "front": front_lines(study),
            "then": how_to(study),
            "cautions": cautions(),
            "not_covered": study.model.not_covered,
            "figures": [picture(svg, CAPTIONS[key]) for key, svg in offsets_figures(study, named).items()],
        },
    )
