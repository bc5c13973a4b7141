"""What the report shows of studies that were made of the same inputs: the curve of the trade-off, offsets to choose."""

from typing import Any

from phaseopt.report.figures.offsets import offsets_figures
from phaseopt.report.figures.tradeoff import tradeoff_figure
from phaseopt.report.layout import Row, Table, picture
from phaseopt.report.offsets_page import CAPTIONS
from phaseopt.report.offsets_text import (
    LEGEND,
    choice_cells,
    choices,
    doubt_lines,
    head,
    recommended_words,
    tried_words,
)
from phaseopt.report.tradeoff_page import CAPTION
from phaseopt.report.tradeoff_text import fragment_text, knee_words, study_words
from phaseopt.study.cached_studies import CachedStudies
from phaseopt.study.offsets import OffsetStudy
from phaseopt.study.tradeoff import Tradeoff


def studies_section(kept: CachedStudies) -> dict[str, Any] | None:
    """What `studies.html.j2` fills in; None where no study was made."""
    if kept.tradeoff is None and kept.offsets is None:
        return None
    return {
        "tradeoff": None if kept.tradeoff is None else _tradeoff(kept.tradeoff),
        "offsets": None if kept.offsets is None else _offsets(kept.offsets),
    }


def _tradeoff(found: Tradeoff) -> dict[str, Any]:
    return {
        "lines": (knee_words(found), study_words(found)[0]),
        "picture": picture(tradeoff_figure(found), CAPTION),
        "fragment": fragment_text(found),
    }


def _offsets(study: OffsetStudy) -> dict[str, Any]:
    named, shown = choices(study), study.project.display_units
    rows = tuple(Row(name, choice_cells(each, shown), strong=each is study.recommended) for name, each in named)
    return {
        "lines": (recommended_words(study), f"Tried: {tried_words(study)}.", *doubt_lines(study)),
        "table": Table(f"Offsets to choose from: {' '.join(LEGEND)}", ("choice", *head(shown)), rows),
        "pictures": [picture(svg, CAPTIONS[name]) for name, svg in offsets_figures(study, named).items()],
    }
