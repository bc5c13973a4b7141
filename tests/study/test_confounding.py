"""Two parts of a simulation that pulls do not separate, and the pull that would, on an engine made so."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from cycle.sample import sample
from engines import project_of

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.project import Project
from phaseopt.study.best_pulls import plan_pulls
from phaseopt.study.confounding import Confounded, confounded, confounded_text
from phaseopt.study.full_load import FullLoad
from phaseopt.surrogate import ExactModel, GridFunction, GridPrior, Hyperparameters, Readings, Trend
from phaseopt.torque_model import Simulated, TorqueModel
from phaseopt.values.display_units import METRIC

AXES = {
    "rpm": np.arange(1000.0, 9001.0, 500.0),
    "load": np.array([20.0, 60.0, 110.0]),
    "icl": np.arange(60.0, 131.0, 10.0),
    "ecl": np.arange(60.0, 151.0, 10.0),
}
H = Hyperparameters(1.0, (3000.0, 200.0, 100.0, 100.0), 0.3, 0.5, 0.0)
PARTS = ("flow", "runner length")


def flow(rpm, load, icl, ecl):  # type: ignore[no-untyped-def]
    """What flow a deviation off does; nothing else does that along speed."""
    return 4.0 * np.sin(rpm / 700.0) * load / 100.0


def at_rest(project: Project) -> tuple[float, float]:
    return project.intake.centreline - project.intake.offset, project.exhaust.centreline + project.exhaust.offset


def length(project: Project):  # type: ignore[no-untyped-def]
    """The same as flow with the intake at rest, and nothing where it is 20 degrees earlier."""
    rest = at_rest(project)[0]
    return lambda rpm, load, icl, ecl: flow(rpm, load, icl, ecl) * (1.0 - (rest - icl) / 20.0)


def learnt(project: Project, timings: list[tuple[float, float]], alike: bool = True) -> TorqueModel:
    """Sweeps at phases, on a simulation of level torque."""
    nodes = np.meshgrid(*AXES.values(), indexing="ij")
    level = xr.Dataset({"torque": (tuple(AXES), 100.0 * nodes[1] / 100.0)}, AXES)
    second = length(project) if alike else lambda rpm, load, icl, ecl: 4.0 * np.cos(rpm / 700.0) * load / 100.0
    made = np.stack([flow(*nodes), second(*nodes)])
    effects = xr.Dataset(
        {
            "effect": (("part", *AXES), made), "deviation": ("part", [0.06, 0.02]), "calibrated": ("part", [1.0, 1.0])
        },
        {"part": list(PARTS), **AXES},
    )  # fmt: skip
    icl, ecl = at_rest(project)
    rpm, full = np.arange(2000.0, 6001.0, 250.0), project.tables.load[-1]
    x = np.array([(n, full, icl - i, ecl + e) for i, e in timings for n in rpm])
    pull = np.repeat(np.arange(len(timings)), len(rpm))
    points = xr.Dataset({
        "pull": ("point", pull), "pull_name": ("name", [f"sweep-{k + 1}" for k in range(len(timings))]),
        "torque": ("point", x[:, 1]), "after": ("point", x[:, 1]),
    })  # fmt: skip
    functions = tuple(GridFunction(each, list(AXES.values())) for each in made)
    surface = ExactModel.at(H, Readings(x, x[:, 1], pull), Trend(GridPrior(level), 0.1, 3.0, effects=functions))
    return TorqueModel(surface, None, Simulated(level, sample(), None, points, 0.08, effects), None, None)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return project_of(tmp_path_factory.mktemp("project"))


@pytest.fixture(scope="module")
def cells(project: Project) -> FullLoad:
    return FullLoad.of(phase_limits(contact_model(project)))


def test_two_parts_alike_at_the_timing_pulled_are_named_with_the_timing_at_which_they_are_not(
    project: Project, cells: FullLoad
) -> None:
    found = confounded(cells, learnt(project, [(0.0, 0.0), (0.0, -8.0)]))
    assert found is not None
    assert (found.first, found.second) == PARTS
    assert found.correlation < -0.9  # only their sum is known
    earliest = cells.timings.pairs[cells.field.measurable, 0].max()
    assert found.load is None
    assert found.intake > 0.7 * earliest
    assert found.narrows > 0.5
    words = confounded_text(found, METRIC.torque)
    assert all(part in words for part in PARTS)
    assert f"intake {found.intake:+.0f}°" in words


def test_the_pull_that_was_named_separates_them(project: Project, cells: FullLoad) -> None:
    found = confounded(cells, learnt(project, [(0.0, 0.0), (0.0, -8.0)]))
    assert found is not None
    after = confounded(cells, learnt(project, [(0.0, 0.0), (0.0, -8.0), (found.intake, found.exhaust)]))
    assert after is None or after.torque < 0.5 * found.torque


def test_parts_that_pulls_separate_are_not_named(project: Project, cells: FullLoad) -> None:
    assert confounded(cells, learnt(project, [(0.0, 0.0), (8.0, -8.0)], alike=False)) is None


def test_what_matters_to_no_table_matters_to_another_engine() -> None:
    found = Confounded("flow", "friction", 0.6, 0.05, 0.0, 0.0, 40.0, 0.3)
    words = confounded_text(found, METRIC.torque)
    assert "40 kPa" in words
    assert "another engine" in words
    assert "another engine" not in confounded_text(
        Confounded("flow", "friction", 0.6, 2.0, 0.0, 0.0, None, 0.0), METRIC.torque
    )


def test_a_plan_has_it_in_its_notes(project: Project, tmp_path: Path) -> None:
    plan = plan_pulls(phase_limits(contact_model(project)), learnt(project, [(0.0, 0.0), (0.0, -8.0)]), 2)
    assert any(all(part in note for part in PARTS) for note in plan.notes)
