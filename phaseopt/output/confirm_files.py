"""The files of a confirming pull, as names and texts."""

from typing import Any

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.figures.confirm import confirm_figures
from phaseopt.report.figures.drawing import alone
from phaseopt.report.page import page
from phaseopt.report.subjects.confirm import confirm_document, entry_text, verdict_words
from phaseopt.study.confirm import Confirmation

NAME = "confirm.csv"


def confirm_files(found: Confirmation, name: str, pull: str, entry: dict[str, Any]) -> dict[str, str]:
    """`confirm.csv` (a row a point) with its metadata, a page, pictures, the pull's entry as `pull.toml`, the record.

    Parameters: `name` of the project and of the `pull`; `entry` with which the pull joins the data.
    """
    columns = [
        Column(str(key), str(each.attrs["long_name"]), each.to_numpy(), str(each.attrs["units"]), 3)
        if "units" in each.attrs
        else Column(str(key), str(each.attrs["long_name"]), each.to_numpy().tolist())
        for key, each in found.points.items()
    ]
    figures = confirm_figures(found)
    files = {
        NAME: csv_text(columns),
        f"{NAME}-metadata.json": records_metadata(
            NAME, "A pull against what was predicted of it, a row a point", columns, (f"{verdict_words(found)}.",)
        ),
        "confirm.html": page(confirm_document(found, name, pull, entry), "phaseopt confirm"),
        "pull.toml": entry_text(entry),
        **alone(figures),
    }
    return files | {RECORD: record_of(files)}
