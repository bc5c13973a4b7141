"""What is said of part load: what the project asks of it beside torque, and what the simulation says came of it."""

from typing import TYPE_CHECKING

import numpy as np

from phaseopt.project import UNITS, Project, Quantity
from phaseopt.report.document import Row, Table
from phaseopt.search.part_load import costs
from phaseopt.tables import number_text
from phaseopt.torque_model.simulated_quantities import LONG_NAMES, variable

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_DECIMALS: dict[Quantity, int] = {"residual": 1, "fuel per kWh": 0, "fuel over least": 1, "peak pressure": 0}


def score_words(project: Project) -> str:
    """What the score of tables is made of.

    >>> from types import SimpleNamespace as N
    >>> tables = N(rpm=(1000.0, 2000.0), load=(50.0, 100.0))
    >>> score_words(N(search=N(part_load="road car", full_load_from=85.0, costs=()), tables=tables))
    'torque less uncertainty, roughness and what part load costs'
    """
    costly = costs(project)
    return f"torque less uncertainty{', roughness and what part load costs' if costly else ' and roughness'}"


def part_load_lines(build: "Build") -> list[str]:
    """Residual gas and fuel below full load, where the project asks for more than torque there; else nothing."""
    search = build.project.search
    if build.comparison.simulated is None or not (costs(build.project) or search.caps):
        return []
    rows = below_full_load(build.project)
    parts = []
    for name, words in (("residual", "residual gas"), ("fuel_over_least", "fuel over the least for its torque")):
        now, before = (
            float(build.comparison.simulated[each].isel(load=rows).mean()) for each in (name, f"{name}_before")
        )
        parts.append(f"{words} {now:.1f} % ({before:.1f} %)")
    car = f" as for a {search.part_load}" if search.part_load != "torque" else ""
    loads = [build.project.tables.load[k] for k in rows]
    at = f"{loads[0]:g} kPa" if len(loads) == 1 else f"{loads[0]:g} to {loads[-1]:g} kPa"
    return [
        f"Part load{car}: on average at {at}, simulated (with {build.baseline.name} in brackets): {', '.join(parts)}."
    ]


def part_load_table(build: "Build") -> Table:
    """Each simulated quantity by load, its median over speed, with the tables and with the baseline."""
    assert build.comparison.simulated is not None  # asked for only where a simulation took part
    by_load = build.comparison.simulated.median("rpm")  # a speed without brake work has no fuel for it
    head = ["load, kPa"]
    columns = []
    for quantity, unit in UNITS.items():
        words = LONG_NAMES[quantity].removeprefix("simulated ")
        unit = "%" if unit == "percent" else unit
        head += [f"{words}, {unit}", "baseline"]
        for name in (variable(quantity), f"{variable(quantity)}_before"):
            columns.append([_text(value, _DECIMALS[quantity]) for value in by_load[name].to_numpy()])
    cells = zip(*columns, strict=True)
    return Table(
        f"Beside torque, as simulated, the middle value over speed: these tables and {build.baseline.name}",
        tuple(head),
        tuple(Row(number_text(load), row) for load, row in zip(build.tables.load, cells, strict=True)),
    )


def below_full_load(project: Project) -> list[int]:
    """Places of the loads that do not count in full; where there is none, of all but the top one.

    >>> from types import SimpleNamespace as N
    >>> below_full_load(N(search=N(full_load_from=85.0), tables=N(load=(40.0, 80.0, 90.0, 100.0))))
    [0, 1]
    """
    load = project.tables.load[:-1]
    return [k for k, at in enumerate(load) if at < project.search.full_load_from] or list(range(len(load)))


def _text(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if np.isfinite(value) else ""
