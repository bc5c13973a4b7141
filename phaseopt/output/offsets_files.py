"""The files of a study of installed offsets, as names and texts."""

from collections.abc import Callable

import numpy as np

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.page import page
from phaseopt.report.subjects.offsets import offsets_document, recommended_words
from phaseopt.study.offset_trial import Trial
from phaseopt.study.offsets import OffsetStudy
from phaseopt.values.rounding import rounded_down

NAME = "offsets.csv"
_CLEARANCES = {
    "static": "least static clearance of the tables",
    "running": "least running clearance of the tables",
    "travel_running": "least running clearance of full travel",
}


def offsets_files(study: OffsetStudy) -> dict[str, str]:
    """`offsets.csv` (a row a pair of offsets) with its metadata, a page, and the record."""
    columns = _columns(study)
    title = "Installed offsets tried, a row a pair, each with its best tables"
    files = {
        NAME: csv_text(columns),
        f"{NAME}-metadata.json": records_metadata(NAME, title, columns, (recommended_words(study),)),
        "offsets.html": page(offsets_document(study), "phaseopt offsets"),
    }
    return files | {RECORD: record_of(files)}


def _columns(study: OffsetStudy) -> list[Column]:
    trials, front = study.trials, {trial.offsets for trial in study.front}

    def column(name: str, words: str, unit: str, of: Callable[[Trial], float], *, down: bool = False) -> Column:
        values = np.array([of(trial) for trial in trials], dtype=np.float64)
        return Column(name, words, rounded_down(values) if down else values, unit, 3)

    columns = [
        column("intake_offset", "installed offset of the intake cam, + = advanced", "degree", lambda t: t.offsets[0]),
        column("exhaust_offset", "installed offset of the exhaust cam, + = advanced", "degree", lambda t: t.offsets[1]),
        column(
            "score",
            "torque less uncertainty and roughness of the best tables, mean by weight",
            "N m",
            lambda t: t.score,
        ),
        column("bound", "what no tables there can score more than", "N m", lambda t: t.bound),
        column(
            "full_load_torque",
            "expected torque, average at full throttle over the measured speeds",
            "N m",
            lambda t: t.full_load,
        ),
        Column("tables", "whether the tables are clear", ["clear" if t.clear else "not clear" for t in trials]),
        Column("full_travel", "verdict on full travel", [t.travel for t in trials]),
        column(
            "full_travel_margin",
            "full travel above the rule that limits it",
            "mm",
            lambda t: t.travel_margin,
            down=True,
        ),
    ]
    for contact in study.model.contacts:
        words = contact.replace("_", " to ")
        for name, text in _CLEARANCES.items():
            columns.append(
                column(
                    f"{contact}_{name}", f"{words}: {text}, worst case", "mm",
                    lambda t, name=name, contact=contact: getattr(t, name)[contact],  # type: ignore[misc]
                    down=True,
                )
            )  # fmt: skip
    return [
        *columns,
        column("cells_unknown", "cells that the torque model does not know", "1", lambda t: t.unknown),
        column("cells_unmeasured", "cells that measured points do not reach", "1", lambda t: t.unmeasured),
        column("intake_beyond", "tables beyond the intake centrelines measured", "degree", lambda t: t.outside[0]),
        column("exhaust_beyond", "tables beyond the exhaust centrelines measured", "degree", lambda t: t.outside[1]),
        Column("front", "whether no other pair beats it in score and margin", [
            "yes" if t.offsets in front else "no" for t in trials]),
    ]  # fmt: skip
