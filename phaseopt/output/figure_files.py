"""The figures of a build as files, each as SVG and PNG."""

from phaseopt.job.build import Build
from phaseopt.output.directory import RECORD, record_of
from phaseopt.report.figures.all_of_build import build_figures, heading


def figure_files(build: Build) -> dict[str, str | bytes]:
    """Every figure by file name, under a heading with the verdict, and the record of the directory."""
    above = heading(build)
    files: dict[str, str | bytes] = {}
    for drawing in build_figures(build):
        files |= drawing.files(above)
    return files | {RECORD: record_of(files)}
