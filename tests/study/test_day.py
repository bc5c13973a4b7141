"""A day on the dyno pull by pull: what is kept changes nothing, and what changed is found."""

from pathlib import Path

import numpy as np
import pytest
from engines import write_project
from simulated_pulls import SMALL, with_pulls
from small_builds import small_project

from phaseopt.job.stages import phase_limits, search_tables
from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.study.day import Day
from phaseopt.study.plan import plan_next_pulls
from phaseopt.surrogate import GridPrior
from phaseopt.torque import pulls, reduce_logs
from phaseopt.torque_model import beside_more, fit_torque, simulate, torque_model
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent


@pytest.fixture
def project(tmp_path: Path) -> Project:
    return load_project(small_project(tmp_path, gap={"tables_only_guard": True}))


def some(project: Project, count: int) -> Project:
    assert project.torque is not None
    return project.with_pulls(project.torque.pulls[:count])


def test_a_pull_more_gives_what_reading_all_anew_gives(project: Project) -> None:
    """To the byte: what is kept is what would be found again."""
    day = Day.begin(some(project, 3)).after(project)
    anew = reduce_logs(project)
    for name in anew.points:
        assert day.points.points[name].to_numpy().tobytes() == anew.points[name].to_numpy().tobytes()
    assert day.points.notes == anew.notes
    found = search_tables(project, phase_limits(project), fit_torque(project, anew))
    assert np.array_equal(day.tables.tables.intake, found.tables.intake)
    assert day.tables.value == found.value
    for own, other in zip(day.plan(2).pulls, plan_next_pulls(project, 2).pulls, strict=True):
        assert own.timings.identical(other.timings)
        assert own.expected_gain == other.expected_gain


def test_only_the_pull_that_came_is_read(project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    day, names, really = Day.begin(some(project, 3)), [], pulls.read_pull
    monkeypatch.setattr(pulls, "read_pull", lambda *given: names.append(given[2]) or really(*given))
    day.after(project)
    assert names == [4]


def test_a_log_that_was_written_again_is_read_again(project: Project) -> None:
    day = Day.begin(project)
    assert project.torque is not None
    log = project.folder / project.torque.pulls[0].files[0]
    rows = log.read_text(encoding="utf-8").splitlines()
    log.write_text("\n".join([rows[0], *rows[20:]]) + "\n", encoding="utf-8")
    assert day.after(project).points.points["samples"].sum() < day.points.points["samples"].sum()


def test_a_key_that_changed_begins_the_day_anew(project: Project) -> None:
    day = Day.begin(project)
    torque = project.torque
    assert torque is not None
    wider = project.model_copy(update={"torque": torque.model_copy(update={"bin": 2.0 * torque.bin})})
    assert len(day.after(wider).model.surface.readings) < len(day.model.surface.readings)


def test_lobes_that_were_measured_again_make_other_limits(project: Project) -> None:
    """Under the same key: limits of the old lobe could call a timing clear that is not."""
    day = Day.begin(project)
    lobe = project.folder / "intake.csv"
    rows = lobe.read_text(encoding="utf-8").splitlines()
    higher = [f"{angle},{1.05 * float(lift):.4f}" for angle, lift in (row.split(",") for row in rows[1:])]
    lobe.write_text("\n".join([rows[0], *higher]) + "\n", encoding="utf-8")
    assert day.after(project).limits.boxes[0].intake_to < day.limits.boxes[0].intake_to


def test_the_plan_goes_on_from_what_is_known(project: Project) -> None:
    sheet = Day.begin(project).plan(2)
    assert len(sheet.pulls) == 2
    assert sheet.expected


def test_with_a_simulation_the_grid_stays_and_new_points_are_simulated(tmp_path: Path) -> None:
    """Old points keep what was simulated there; a new one has what the calibrated engine makes at it."""
    path = with_pulls(write_project(tmp_path, **SMALL), (0.0, 4.0, 8.0, 12.0), {"friction": 1.33})
    project = load_project(path)
    first = reduce_logs(some(project, 3))
    prior = simulate(some(project, 3), first)
    assert prior.points is not None
    points = reduce_logs(project)
    more = beside_more(project, prior, points)
    assert more.points is not None
    assert more.grid is prior.grid
    assert set(np.unique(more.points["pull"])) == {0, 1, 2, 3}
    old = more.points["pull"].to_numpy() < 3
    assert more.points["after"].to_numpy()[old].tolist() == prior.points["after"].to_numpy().tolist()
    again = beside_more(project, prior, first)
    assert again.points is not None
    without = more.points.isel(point=old)
    assert np.array_equal(again.points["before"], without["before"])
    # grid and points are of one engine: between the grid's speeds the two differ by its waves
    x = np.column_stack([more.points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    off = GridPrior(prior.grid).at(x) - more.points["after"].to_numpy()
    assert np.sqrt(np.mean(off[~old] ** 2)) < 2.0
    day = fit_torque(project, points, more)
    assert len(day.surface.readings) == more.points.sizes["point"]


def test_before_the_first_pull_the_simulation_alone_makes_tables(tmp_path: Path) -> None:
    """As a build without pulls does; the first pull begins the day anew."""
    project = load_project(with_pulls(write_project(tmp_path, **SMALL), (0.0, 4.0), {}))
    none = some(project, 0)
    day = Day.begin(none)
    assert day.points is None
    assert day.after(none) is day
    alone = search_tables(none, phase_limits(none), torque_model(none, silent))
    assert np.array_equal(day.tables.tables.intake, alone.tables.intake)
    assert day.plan(1).pulls
    later = day.after(project)
    assert later.points is not None
    assert later.model.reduction is later.points
    assert later.after(none).points is None


def test_no_pull_is_planned_where_full_travel_is_not_clear_and_that_is_not_accepted(tmp_path: Path) -> None:
    """Pulls made before the cams were moved do not make it safe."""
    day = Day.begin(load_project(small_project(tmp_path)))
    with pytest.raises(InputError, match="tables_only_guard"):
        day.plan(1)
