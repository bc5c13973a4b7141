"""What the report shows of studies that were made of the same inputs: the curve of the trade-off, offsets to choose."""

from typing import Any

from phaseopt.report.subjects.offsets import offsets_section
from phaseopt.report.subjects.tradeoff import tradeoff_section
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
    lines, drawn, knee = tradeoff_section(found).blocks
    return {"lines": lines.items, "picture": drawn, "fragment": knee.text}  # type: ignore[union-attr]


def _offsets(study: OffsetStudy) -> dict[str, Any]:
    lines, choices, *pictures = offsets_section(study).blocks
    return {"lines": lines.items, "table": choices, "pictures": pictures}  # type: ignore[union-attr]
