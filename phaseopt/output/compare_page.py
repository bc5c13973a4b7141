"""The page and the files of a comparison of two builds."""

import numpy as np
from matplotlib.figure import Figure

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.compare import Comparison
from phaseopt.output.compare_text import DOUBT, difference_tables, lines_of, torque_table, verdict_words
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.report.figures.colours import BLACK
from phaseopt.report.figures.drawing import DARK, LIGHT, MIDDLE, styled, svg_element
from phaseopt.report.layout import picture
from phaseopt.report.page import fill
from phaseopt.report.text import cautions

NAME = "full_load.csv"


def compare_files(found: Comparison) -> dict[str, str]:
    """`compare.html`, where torque can be compared `full_load.csv` with its metadata, and the record."""
    files = {"compare.html": compare_page(found)}
    if found.torque is not None:
        words = {
            "first": "expected torque at full load, first build",
            "second": "expected torque at full load, second build",
            "difference": "second less first",
            "deviation": "standard deviation of the difference, at most",
        }
        columns = [Column("rpm", "engine speed", found.torque["rpm"].to_numpy(), "rpm", 1)]
        columns += [Column(name, said, found.torque[name].to_numpy(), "N m", 2) for name, said in words.items()]
        files[NAME] = csv_text(columns)
        files[f"{NAME}-metadata.json"] = records_metadata(NAME, "Two builds at full load", columns, (f"{DOUBT}.",))
    return files | {RECORD: record_of(files)}


def compare_page(found: Comparison) -> str:
    """One page as HTML."""
    return fill(
        "compare.html.j2",
        {
            "names": found.names,
            "verdict": verdict_words(found),
            "lines": {} if found.same else lines_of(found),
            "torque": torque_table(found),
            "picture_of": None if found.torque is None else picture(compare_figure(found), f"{DOUBT}."),
            "tables": difference_tables(found),
            "cautions": cautions(),
            "not_covered": sorted({words for each in found.builds for words in each.record.verdict.not_covered}),
        },
    )


def compare_figure(found: Comparison) -> str:
    """SVG: torque of both at full load over engine speed, and the difference with two deviations."""
    assert found.torque is not None
    unit, rpm = found.display_units.torque, found.torque["rpm"].to_numpy()
    first, second, change = (unit.of(found.torque[name].to_numpy()) for name in ("first", "second", "difference"))
    band = 2.0 * np.asarray(unit.of(found.torque["deviation"].to_numpy()))
    with styled():
        figure = Figure(figsize=(7.5, 5.6), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        upper.plot(rpm, first, "s--", color=DARK, ms=4, label="first")
        upper.plot(rpm, second, "o-", color=MIDDLE, ms=4, label="second")
        upper.set_ylabel(f"torque, {unit.name}")
        upper.set_title(verdict_words(found))
        upper.legend(loc="best")
        lower.fill_between(rpm, change - band, change + band, color=LIGHT, alpha=0.35, lw=0, label="±2 deviations")
        lower.plot(rpm, change, "o-", color=MIDDLE, ms=4, label="second less first")
        lower.axhline(0.0, color=BLACK, lw=0.8)
        lower.set_ylabel(f"difference, {unit.name}")
        lower.set_xlabel("engine speed, rpm")
        lower.legend(loc="best", ncols=2)
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        return svg_element(
            figure, "compare", "Torque at full load of both builds, and the difference, over engine speed"
        )
