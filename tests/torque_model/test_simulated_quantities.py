"""Part load: simulated quantities of labels and tables, and what caps and costs of a project make of them.

The engine is invented and by formula: air grows with pressure, torque is what the air gives less friction and less what
drawing it past the throttle takes, so that each figure follows by hand.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from cycle.test_from_project import CYCLE, FOUR
from engines import project_of

from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.project import Project
from phaseopt.search import solve
from phaseopt.search.objective import TorqueMap, cell_weights, search_problem
from phaseopt.search.part_load import columns_of
from phaseopt.torque_model import SimulatedQuantities, label_quantities, table_quantities
from phaseopt.torque_model.simulated_quantities import IDLE_FUEL, fuel_per_work, least_air
from phaseopt.values.errors import InputError

RPM, LOAD = [1000.0, 3000.0, 5000.0], [30.0, 50.0, 70.0, 100.0]
FUEL = 4.6e4  # g/kWh at 1 N·m, for a volumetric efficiency of 1
SIMULATED: dict[str, Any] = {
    "firing_order": FOUR,
    "cycle": CYCLE,
    "tables": {"rpm": RPM, "load": LOAD},
    "intake": {"phaser": {"travel": [0.0, 10.0], "resolution": 5.0}},  # it changes nothing here
    "exhaust": {"phaser": {"travel": [-20.0, 0.0], "resolution": 2.0}},
    "gap": {"tables_only_guard": True},
}
RESTING = 114.0, 116.0  # true icl and ecl of that engine at rest: 110 + 6 and 110 + 6, see `late`


def late(project: Project, ecl: np.ndarray) -> np.ndarray:
    """How late the exhaust closes beyond rest, crank degrees."""
    return np.asarray(project.exhaust.centreline + project.exhaust.offset - ecl)


def grid_of(project: Project) -> xr.Dataset:
    """Residual 10 % and 1 % more for each degree the exhaust closes late; it takes room from air, and pumping falls.

    Air is (p/100) (1 - late/50); torque 200 air - 20 - 0.2 (100 - p) (1 - late/20).
    """
    icl, ecl = np.arange(80.0, 141.0, 10.0), np.arange(70.0, 131.0, 10.0)
    axes = {"rpm": RPM, "load": LOAD, "icl": icl, "ecl": ecl}
    shape = tuple(len(axis) for axis in axes.values())
    p, by = np.array(LOAD)[None, :, None, None], late(project, ecl)[None, None, None, :]
    air = np.broadcast_to(p / 100 * (1 - by / 50), shape)
    torque = 200 * air - 20 - 0.2 * (100 - p) * (1 - by / 20)
    fuel = np.where(torque > 0, FUEL * air / np.where(torque > 0, torque, 1), np.nan)
    found = {"torque": torque, "volumetric_efficiency": air, "fuel_per_kwh": fuel,
             "residual_fraction": np.broadcast_to(0.10 + 0.01 * by, shape),
             "peak_pressure": np.broadcast_to(70.0 * p, shape)}  # fmt: skip
    return xr.Dataset({name: (tuple(axes), values) for name, values in found.items()}, axes)


class Made:
    """A project with its limits and grid, made once."""

    def __init__(self, folder: Path) -> None:
        self.project: Project = project_of(folder, **SIMULATED)
        self.model: ContactModel = contact_model(self.project)
        self.limits: Limits = phase_limits(self.model)
        self.grid = grid_of(self.project)
        self.quantities = SimulatedQuantities.on(self.grid, self.limits)

    def with_search(self, **search: Any) -> Project:
        settings = type(self.project.search).model_validate({**self.project.search.model_dump(), **search})
        return self.project.model_copy(update={"search": settings})

    def labels(self, project: Project, known: np.ndarray | None = None) -> TorqueMap:
        """Torque of the grid, and what the project's settings ask for beside it."""
        cells = np.stack(np.meshgrid(RPM, LOAD, indexing="ij"), axis=-1).reshape(-1, 2)
        engine, limits = self.model.engine, self.limits
        pairs = np.stack(
            np.meshgrid(
                engine.intake.true_centreline(limits.phases_intake),
                engine.exhaust.true_centreline(limits.phases_exhaust),
                indexing="ij",
            ),
            axis=-1,
        )
        shape = (len(RPM), len(LOAD), *pairs.shape[:2])
        torque = self.quantities.of["torque"].product(cells, pairs.reshape(-1, 2)).reshape(shape)
        known = np.ones(shape, dtype=np.bool_) if known is None else known
        asked = label_quantities(columns_of(project), limits, self.grid)
        return TorqueMap(torque, 0.0 * torque, known, known, True, asked)

    def late_of(self, project: Project, known: np.ndarray | None = None) -> np.ndarray:
        """(R, L) how late the exhaust closes in the best tables."""
        problem, boxes = search_problem(project, self.limits, self.labels(project, known))
        return np.asarray(-solve(problem, boxes).exhaust)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(tmp_path_factory.mktemp("part_load"))


def test_each_quantity_of_a_cell_is_what_the_formulas_say(made: Made) -> None:
    """Fuel for work is air times a constant over torque; at 4° late and 50 kPa by hand: air 0.46, torque 64 N·m."""
    _, rest = RESTING
    found = made.quantities.at(np.array([[3000.0, 50.0, 100.0, rest - 4.0], [1000.0, 30.0, 100.0, rest + 10.0]]))
    assert float(late(made.project, np.array(rest))) == 0.0
    assert found["residual"].tolist() == pytest.approx([14.0, 0.0])
    assert found["peak pressure"].tolist() == pytest.approx([3500.0, 2100.0])
    assert found["fuel per kWh"][0] == pytest.approx(FUEL * 0.46 / (92.0 - 20.0 - 10.0 * 0.8), rel=1e-9)
    assert fuel_per_work(np.array(FUEL), np.array(-1.0)) == IDLE_FUEL


def test_fuel_over_least_against_counting(made: Made) -> None:
    """Outside check: `scipy.optimize.brentq` finds the pressure at which each safe timing makes a cell's torque.

    The least of their air there is what the cell's own air is held against. Air is linear in torque here, as on
    Willans' line (common practice).
    """
    from scipy.optimize import brentq

    box = made.limits.boxes[0]
    allowed = np.arange(0.0, -box.exhaust_from + 0.1, 2.0)

    def air(p: float, by: float) -> float:
        return p / 100 * (1 - by / 50)

    def torque(p: float, by: float) -> float:
        return 200 * air(p, by) - 20 - 0.2 * (100 - p) * (1 - by / 20)

    def short_of(p: float, by: float, wanted: float) -> float:
        return torque(p, by) - wanted

    expected = []
    cells = ((30.0, 0.0), (50.0, 0.0), (50.0, 6.0), (70.0, 2.0))
    for p, by in cells:
        wanted = torque(p, by)
        reach = [other for other in allowed if torque(30.0, other) <= wanted <= torque(100.0, other)]
        least = min(air(brentq(short_of, 30.0, 100.0, args=(other, wanted)), other) for other in reach)
        expected.append(100 * (air(p, by) / least - 1))
    found = made.quantities.at(np.array([[3000.0, p, 100.0, RESTING[1] - by] for p, by in cells]))
    assert max(expected) > 5.0
    np.testing.assert_allclose(found["fuel over least"], expected, atol=0.02)


def test_least_air_passes_over_what_is_unknown() -> None:
    torque = np.array([[np.nan, 0.0, 5.0], [50.0, 50.0, np.nan], [100.0, 100.0, np.nan]])
    air = np.array([[np.nan, 0.2, 0.0], [0.4, 0.5, np.nan], [0.9, 1.0, np.nan]])
    at, least = least_air(torque, air)
    np.testing.assert_allclose(np.interp([10.0, 75.0], at, least), [0.26, 0.65], atol=1e-3)
    assert np.isnan(least_air(torque[:1], air[:1])[1]).all()


def test_a_cap_holds_its_band_and_leaves_full_throttle_alone(made: Made) -> None:
    """Fuel is dear here, so that the exhaust closes late where it may; the cap leaves 3° of that, 1 % a degree."""
    free = made.with_search(
        roughness=0.0, costs=[{"rpm": RPM[::2], "load": [30, 100], "of": "fuel over least", "price": 99}]
    )
    capped = made.with_search(
        roughness=0.0,
        costs=free.search.costs,
        caps=[{"rpm": [1000, 3000], "load": [50, 100], "of": "residual", "most": "13 %"}],
    )
    wanted, late = made.late_of(free), made.late_of(capped)
    assert (wanted[:, 1:3] > 3).any()
    assert (late[:2, 1:3] <= 3).all()
    np.testing.assert_array_equal(late[2], wanted[2])
    np.testing.assert_array_equal(late[:, 0], wanted[:, 0])
    assert (late[:, -1] == 0).all()


def test_score_is_torque_less_what_the_costs_say(made: Made) -> None:
    """Two costs add up; by the statement of the worth, at one label by hand: 14 % residual, 3500 kPa."""
    project = made.with_search(
        caution=0.0,
        costs=[
            {"rpm": [0, 9000], "load": [40, 60], "of": "residual", "above": 10, "price": 0.5},
            {"rpm": [3000, 3000], "load": [30, 100], "of": "peak pressure", "above": "30 bar", "price": 0.01},
        ],
    )
    torque = made.labels(project)
    problem, _ = search_problem(project, made.limits, torque)
    a, b = 0, int(np.flatnonzero(made.limits.phases_exhaust == -4.0)[0])
    weight = cell_weights(project)
    for r, k, cost in ((1, 1, 0.5 * 4 + 0.01 * 500), (0, 1, 0.5 * 4), (1, 2, 0.01 * 1900), (1, 3, 0.0)):
        expected = weight[r, k] * (float(torque.torque[r, k, a, b]) - cost)
        assert problem.objective[r, k, a, b] == pytest.approx(expected, abs=1e-6)


def test_a_road_car_closes_the_exhaust_later_than_a_track_car_and_stays_steady(made: Made) -> None:
    """At part load internal residual in the place of throttling saves fuel (common practice); full load stays put."""
    torque, track, road = (made.late_of(made.with_search(part_load=car)) for car in ("torque", "track car", "road car"))
    assert (road[1:, :-1] >= track[1:, :-1]).all()
    assert road[:, :2].mean() > track[:, :2].mean() + 2
    np.testing.assert_array_equal(track, torque)
    assert (road[:, -1] == 0).all()
    assert road.max() <= 12  # 20 % of residual is free, and 10 N·m for each percent beyond it is dear


def test_a_cap_that_empties_a_cell_is_named_with_the_cap_that_leaves_some(made: Made) -> None:
    project = made.with_search(caps=[
        {"rpm": [0, 9000], "load": [30, 100], "of": "peak pressure", "most": "80 bar"},
        {"rpm": [3000, 5000], "load": [50, 70], "of": "residual", "most": 8},
    ])  # fmt: skip
    with pytest.raises(InputError) as refused:
        made.late_of(project)
    (mistake,) = refused.value.mistakes
    assert mistake.where == "search.caps (entry 2)"
    for fact in ("3000 rpm, load 50", "3 more", "8 %"):
        assert fact in mistake.problem
    assert "most = 10" in mistake.hint
    eased = made.with_search(caps=[{"rpm": [3000, 5000], "load": [50, 70], "of": "residual", "most": 10}])
    assert (made.late_of(eased)[1:, 1:3] == 0).all()


def test_a_cap_is_not_dodged_by_a_label_that_did_not_settle(made: Made) -> None:
    """All that is known of a cell breaks the cap: refused, though unknown labels are left. None known: no refusal."""
    project = made.with_search(caps=[{"rpm": [3000, 3000], "load": [50, 50], "of": "residual", "most": 11}])
    known = np.ones(made.labels(project).torque.shape, dtype=np.bool_)
    known[1, 1, :, made.limits.phases_exhaust > -3.0] = False
    with pytest.raises(InputError, match=r"3000 rpm, load 50: .*11 % of residual"):
        made.late_of(project, known)
    known[1, 1] = False
    assert np.isfinite(made.late_of(project, known)).all()


def test_quantities_without_a_simulation_are_refused(made: Made) -> None:
    project = made.with_search(part_load="road car")
    bare = made.labels(made.project)
    with pytest.raises(InputError, match="residual, fuel over least"):
        search_problem(project, made.limits, bare)


def test_tables_are_given_beside_their_baseline(made: Made) -> None:
    cells = np.stack(np.meshgrid(RPM, LOAD, indexing="ij"), axis=-1).reshape(-1, 2)
    tables = [np.column_stack([cells, np.full(12, 100.0), np.full(12, RESTING[1] - by)]) for by in (6.0, 0.0)]
    found = table_quantities(made.quantities, *tables, np.array(RPM), np.array(LOAD))
    assert found["residual"].to_numpy() == pytest.approx(16.0)
    assert found["residual_before"].to_numpy() == pytest.approx(10.0)
    assert found["fuel_per_kwh"].attrs["units"] == "g/kWh"
    assert float(found["peak_pressure"].sel(rpm=3000, load=70)) == pytest.approx(4900.0)
