"""Every figure of a build, each under its own name, and the heading that lets it be read away from the page."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from phaseopt.report.figures import build as figures
from phaseopt.report.figures import calibration as calibration_figures
from phaseopt.report.figures import tables as table_figures
from phaseopt.report.figures.budget_bars import budget_bars
from phaseopt.report.figures.crank_angle import gap_over_angle
from phaseopt.report.figures.drawing import Drawing
from phaseopt.report.figures.springs import spring_margins
from phaseopt.report.figures.torque_model import thin
from phaseopt.report.words import moving

if TYPE_CHECKING:
    from phaseopt.job.build import Build


def build_figures(build: "Build") -> Iterator[Drawing]:
    """The figures of the page, and power, the tables, dips, costs of limits and data coverage."""
    yield figures.full_load_torque(build)
    yield table_figures.power_over_speed(build)
    for side in moving(build.project):
        yield table_figures.table_map(build, side)
    for contact in build.contact.contacts:
        yield figures.gap_map(build, contact)
        yield gap_over_angle(build, contact)
        yield budget_bars(build, contact)
    yield figures.safe_set(build)
    springs = spring_margins(build.contact)
    if springs is not None:
        yield springs
    yield table_figures.dips_over_speed(build)
    if build.explanations.limit_costs.costliest:
        yield table_figures.costs_over_speed(build)
    if len(build.model.surface.readings):
        supplied = build.model.supplied_grid is not None
        yield thin(build.project, build.model.surface, build.limits, supplied_grid=supplied)
    if build.model.simulation is not None:
        yield calibration_figures.filling(build)
        if build.model.simulation.calibration is not None:
            yield calibration_figures.measured_and_simulated(build)


def heading(build: "Build") -> str:
    """Whose tables these are, the verdict on them and the gap nearest to its rule, in one line."""
    verdict = build.verdict
    where = "in any combination" if verdict.clear else "between neighbouring cells, the looser rule,"
    verdict_words = (
        f"clear at every cell and {where} up to {build.contact.top_speed:.0f} rpm" if verdict.accepted else "NOT CLEAR"
    )
    return f"{build.project.name}: {verdict_words}; closest: {verdict.worst}"
