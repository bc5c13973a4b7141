"""The files of a comparison of two builds, as names and texts."""

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.compare import Comparison
from phaseopt.output.compare_document import compare_document, uncertainty_words
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.page import page
from phaseopt.study.what_if import WhatIf

NAME = "full_load.csv"


def compare_files(found: Comparison, shares: WhatIf | None = None) -> dict[str, str]:
    """`compare.html`, where torque can be compared `full_load.csv` with its metadata, and the record."""
    files = {"compare.html": page(compare_document(found, shares), "phaseopt compare")}
    if found.torque is not None:
        words = {
            "first": "expected torque at full load, first build",
            "second": "expected torque at full load, second build",
            "difference": "second less first",
            "deviation": f"standard deviation of the difference{'' if found.paired else ', at most'}",
        }
        columns = [Column("rpm", "engine speed", found.torque["rpm"].to_numpy(), "rpm", 1)]
        columns += [Column(name, text, found.torque[name].to_numpy(), "N m", 2) for name, text in words.items()]
        files[NAME] = csv_text(columns)
        files[f"{NAME}-metadata.json"] = records_metadata(
            NAME, "Two builds at full load", columns, (f"{uncertainty_words(found)}.",)
        )
    return files | {RECORD: record_of(files)}
