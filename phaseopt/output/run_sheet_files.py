"""The files of a run sheet, as names and texts."""

import numpy as np

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.page import page
from phaseopt.report.subjects.plan import KINDS, plan_document
from phaseopt.study.run_sheet import RunSheet
from phaseopt.values.rounding import rounded_down

NAME = "run_sheet.csv"
_FLOORED = ("static", "running")  # worst case, so never rounded up


def run_sheet_files(sheet: RunSheet) -> dict[str, str]:
    """`run_sheet.csv` (a row for each pull and speed) with its metadata, the page to print, and the record."""
    columns = _columns(sheet)
    title = "Planned pulls in the order to make them, a row for each pull and speed"
    notes = (f"Stop rule: {sheet.stop}", *(f"{note[0].upper()}{note[1:].rstrip('.')}." for note in sheet.notes))
    files = {
        NAME: csv_text(columns),
        f"{NAME}-metadata.json": records_metadata(NAME, title, columns, notes),
        "run_sheet.html": page(plan_document(sheet), "phaseopt plan"),
    }
    return files | {RECORD: record_of(files)}


def _columns(sheet: RunSheet) -> list[Column]:
    every = (*sheet.pulls, *sheet.swing)
    pulls = [(pull, rpm) for pull in every for rpm in range(pull.timings.sizes["rpm"])]
    columns = [
        Column("pull", "number of the pull", np.array([float(pull.number) for pull, _ in pulls]), "1"),
        Column("kind", "what kind of pull", [KINDS[pull.kind] for pull, _ in pulls]),
    ]
    timings = [pull.timings for pull in every]
    if not timings:
        return columns
    joined = {name: np.concatenate([t[name].to_numpy() for t in timings]) for name in ("rpm", *timings[0])}
    columns.append(Column("rpm", "engine speed", joined.pop("rpm"), "rpm"))
    for name, values in joined.items():
        words = str(timings[0][name].attrs["long_name"])
        if values.ndim == 1:
            columns.append(Column(name, words, values, "degree", 3))
            continue
        cautious = rounded_down(values) if name in _FLOORED else values
        for contact, gap in zip(sheet.model.contacts, cautious.T, strict=True):
            columns.append(Column(f"{contact}_{name}", f"{contact.replace('_', ' to ')}: {words}", gap, "mm", 3))
    expected_gain = np.array([pull.expected_gain for pull, _ in pulls])
    spark = np.array([pull.spark for pull, _ in pulls])
    return [
        *columns,
        Column("spark", "ignition advance beside the usual one, + = more", spark, "degree", 1),
        Column(
            "expected_gain",
            "what this pull adds to the final tables on average at full throttle",
            expected_gain,
            "N m",
            3,
        ),
    ]
