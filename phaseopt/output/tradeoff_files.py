"""The files of a trade-off study, as names and texts."""

import numpy as np

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.page import page
from phaseopt.report.subjects.tradeoff import DEFINITION, fragment_text, tradeoff_document
from phaseopt.study.tradeoff import Tradeoff

NAME = "tradeoff.csv"


def tradeoff_files(found: Tradeoff) -> dict[str, str]:
    """`tradeoff.csv` (a row a trial) with its metadata, the page, the knee's keys as `knee.toml`, and the record."""
    trials = found.trials
    number = trials["trial"]
    columns = [Column("trial", str(number.attrs["long_name"]), number.to_numpy().astype(np.float64), "1")]
    for name, each in trials.data_vars.items():
        words = str(each.attrs["long_name"])
        if "units" in each.attrs:
            columns.append(Column(str(name), words, each.to_numpy(), str(each.attrs["units"])))
        else:
            columns.append(Column(str(name), words, ["yes" if held else "no" for held in each.to_numpy()]))
    title = "Settings of the search and what the best tables under them are like, a row a trial"
    files = {
        NAME: csv_text(columns),
        f"{NAME}-metadata.json": records_metadata(NAME, title, columns, (f"{DEFINITION}.", *found.notes)),
        "tradeoff.html": page(tradeoff_document(found), "phaseopt tradeoff"),
        "knee.toml": fragment_text(found),
    }
    return files | {RECORD: record_of(files)}
