"""The trade-off study on the example's hardware and a torque made up for it: it resumes, refuses, keeps its slew."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import optuna
import pytest
import xarray as xr
from hillclimb import pulls_alone
from scipy.integrate import trapezoid

from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.project import Pin, Project
from phaseopt.search.objective import TorqueMap, cell_weights
from phaseopt.study.storage import open_study
from phaseopt.study.tradeoff import CORNERS, OBJECTIVES, VERSION, Tradeoff, cached_tradeoff, study_on, study_tradeoff
from phaseopt.study.tradeoff_trial import Settings, TradeoffInputs, TradeoffOutcome
from phaseopt.values.errors import InputError


@pytest.fixture(scope="module")
def project() -> Project:
    """Fewer cells than the example, so that a search takes little."""
    found = pulls_alone()
    tables = found.tables.model_copy(
        update={"rpm": tuple(np.arange(1000.0, 8001.0, 1000.0)), "load": (50.0, 80.0, 100.0)}
    )
    return found.model_copy(update={"tables": tables})


@pytest.fixture(scope="module")
def model(project: Project) -> ContactModel:
    return contact_model(project)


@pytest.fixture(scope="module")
def limits(model: ContactModel) -> Limits:
    return phase_limits(model)


def torque_at(rpm: Any, a: Any, b: Any) -> Any:
    best = 10.0 + 8.0 * np.sin(rpm / 900.0)
    return 150.0 - 0.03 * (a - best) ** 2 - 0.03 * (b + best) ** 2


def torque_of(project: Project, limits: Limits, *, known: bool = True) -> TorqueMap:
    """The best phases jump to and fro along speed; uncertainty grows away from 8° and -8°."""
    rpm = np.array(project.tables.rpm)[:, None, None, None]
    a, b = limits.phases_intake[:, None], limits.phases_exhaust[None, :]
    shape = (rpm.size, len(project.tables.load), a.size, b.size)
    torque = np.broadcast_to(torque_at(rpm, a, b), shape)
    deviation = np.broadcast_to(1.0 + 0.002 * ((a - 8.0) ** 2 + (b + 8.0) ** 2), shape)
    all_of_it = np.full(shape, known)
    return TorqueMap(torque, deviation, all_of_it, all_of_it, False)


@pytest.fixture(scope="module")
def base(project: Project, model: ContactModel, limits: Limits) -> TradeoffInputs:
    return TradeoffInputs.of(project, limits, torque_of(project, limits))


CORNER_SETTINGS = [(c["roughness_thousandths"] / 1000, c["caution"], c["slew_share"]) for c in CORNERS]


def stored(folder: Path, name: str) -> str:
    return f"sqlite:///{folder}/{name}.sqlite"


def by_settings(found: Tradeoff) -> dict[tuple[float, float, float], dict[str, float]]:
    rows = found.trials.to_dataframe().to_dict("records")
    return {(row["roughness"], row["caution"], row["slew_share"]): row for row in rows}


@pytest.fixture(scope="module")
def found(base: TradeoffInputs, tmp_path_factory: pytest.TempPathFactory) -> Tradeoff:
    return study_on(base, 24, stored(tmp_path_factory.mktemp("whole"), "a"))


def test_an_interrupted_study_goes_on_to_the_same_trials(base: TradeoffInputs, found: Tradeoff, tmp_path: Path) -> None:
    """Stopped between two trials, then run on: the count, and every trial, is that of one run."""
    url = stored(tmp_path, "b")

    def stop(_: float, text: str) -> None:
        if text.startswith("trial 15 "):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        study_on(base, 24, url, stop)
    again = study_on(base, 24, url)
    assert (found.earlier, again.earlier) == (0, 14)
    xr.testing.assert_identical(again.trials, found.trials)
    assert again.trials.sizes["trial"] == 25


def test_a_study_beside_the_project_is_shown_again(base: TradeoffInputs, tmp_path: Path) -> None:
    here = replace(base, project=base.project.model_copy(update={"file": tmp_path / "project.toml"}))
    assert cached_tradeoff(here) is None
    study_on(here, 7)
    assert cached_tradeoff(here) is None  # its corners are not all tried
    found = study_on(here, 9)
    cached = cached_tradeoff(here)
    assert cached is not None
    assert cached.earlier == 9
    xr.testing.assert_identical(cached.trials, found.trials)
    other = replace(here, labels=replace(base.labels, torque=base.labels.torque + 1.0))
    assert cached_tradeoff(other) is None


def test_a_trial_that_a_killed_run_left_half_done_is_not_counted(base: TradeoffInputs, tmp_path: Path) -> None:
    url = stored(tmp_path, "c")
    directions: list[Any] = list(OBJECTIVES.values())
    study = open_study("tradeoff", VERSION, base.fingerprint(), directions, base.project.folder, url)
    study.ask()  # and no more: its process is gone
    again = study_on(base, 8, url)
    assert again.earlier == 0
    assert again.trials.sizes["trial"] == 9
    assert set(CORNER_SETTINGS) <= set(by_settings(again))


class Instant(TradeoffInputs):
    """Outcomes that take no time, so that runs on one study meet as often as they can."""

    def outcome(self, settings: Settings) -> TradeoffOutcome:
        return replace(self.own, torque=self.own.torque - settings.roughness, slew_used=settings.slew_share)


def test_runs_on_one_study_neither_share_a_trial_nor_take_each_other_for_damage(
    base: TradeoffInputs, tmp_path: Path
) -> None:
    instant = Instant(**{each.name: getattr(base, each.name) for each in fields(base)})
    for name in "def":
        here = tmp_path / name
        here.mkdir()
        at = replace(instant, project=base.project.model_copy(update={"file": here / "project.toml"}))
        with ThreadPoolExecutor(4) as pool:
            several = list(pool.map(lambda trials, at=at: study_on(at, trials), [12] * 4))
        assert not list(here.rglob("*.damaged"))
        for found in several:
            assert found.trials.sizes["trial"] >= 13  # the project as it is, and at least those asked for
            assert set(CORNER_SETTINGS) <= set(by_settings(found))


def test_trials_keep_their_slew_and_pull_the_way_their_keys_say(found: Tradeoff) -> None:
    trials = found.trials
    assert (trials["slew_used"] <= trials["slew_share"] + 1e-9).all()
    at = by_settings(found)
    for caution in (0.0, 2.0):
        assert at[0.5, caution, 1.0]["rms_step"] < at[0.002, caution, 1.0]["rms_step"]
        assert at[0.002, caution, 0.25]["torque"] < at[0.002, caution, 1.0]["torque"]
    assert at[0.002, 2.0, 1.0]["torque_sd"] < at[0.002, 0.0, 1.0]["torque_sd"]
    assert float(trials["torque"].max()) == at[0.002, 0.0, 1.0]["torque"]
    assert found.verdict.accepted
    assert bool(trials["on_front"][found.knee])


def test_an_outcome_is_the_mean_of_what_the_tables_hold(base: TradeoffInputs, found: Tradeoff) -> None:
    """Cell by cell from the made-up torque, on the tables that were judged; at full throttle the area under the curve
    by scipy."""
    tables = base.verdict(found.settings(found.knee)).cells
    rpm = tables["rpm"].to_numpy()
    phases = (tables[f"{side}_phase"].transpose("rpm", "load").to_numpy() for side in ("intake", "exhaust"))
    torque = torque_at(rpm[:, None], *phases)
    assert float(found.trials["torque"][found.knee]) == pytest.approx(
        np.average(torque, weights=cell_weights(base.project))
    )
    assert float(found.trials["full_torque"][found.knee]) == pytest.approx(trapezoid(torque[:, -1], rpm) / np.ptp(rpm))


def test_other_inputs_are_another_study_and_another_version_is_refused(
    project: Project, model: ContactModel, limits: Limits, base: TradeoffInputs, tmp_path: Path
) -> None:
    url = stored(tmp_path, "d")
    study_on(base, 8, url)
    cooler = project.model_copy(update={"search": project.search.model_copy(update={"crossing": 2000.0})})
    other = TradeoffInputs.of(cooler, limits, base.labels)
    assert study_on(other, 8, url).earlier == 0
    own = project.model_copy(update={"search": project.search.model_copy(update={"roughness": 0.1, "caution": 0.0})})
    assert study_on(TradeoffInputs.of(own, limits, base.labels), 8, url).earlier == 8
    optuna.create_study(storage=url, study_name=f"phaseopt tradeoff {VERSION + 1} ff")
    with pytest.raises(InputError, match="another version"):
        study_on(base, 8, url)


def test_a_storage_that_cannot_serve_is_refused_before_the_work(
    project: Project, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = stored(tmp_path, "f")
    optuna.create_study(storage=url, study_name=f"phaseopt tradeoff {VERSION + 1} ff")
    monkeypatch.setattr("phaseopt.study.tradeoff.tradeoff_inputs", lambda *_: pytest.fail("the work began"))
    with pytest.raises(InputError, match="another version"):
        study_tradeoff(project, 8, url)


def test_settings_that_leave_no_tables_are_named_and_counted(
    project: Project, model: ContactModel, limits: Limits, tmp_path: Path
) -> None:
    """Two pinned rows 20° apart need more than a quarter of the slew: 80°/s for a third of a second is 26.7°."""
    pins = tuple(
        Pin.model_validate({"rpm": [rpm, rpm], "load": [0, 200], "intake": phase})
        for rpm, phase in ((4000, 0), (5000, 20))
    )
    held = project.model_copy(update={"search": project.search.model_copy(update={"pinned": pins})})
    found = study_on(TradeoffInputs.of(held, limits, torque_of(held, limits)), 10, stored(tmp_path, "e"))
    assert len(found.refused) >= 4
    assert found.trials.sizes["trial"] - 1 + len(found.refused) == 10
    assert all("slew cap" in why for why in found.refused.values())


def test_cells_that_the_torque_model_does_not_know_do_not_count(
    project: Project, model: ContactModel, limits: Limits
) -> None:
    labels = torque_of(project, limits)
    known = labels.in_reach.copy()
    known[:, 0] = False
    half = TorqueMap(labels.torque, labels.deviation, known, known, False)
    base = TradeoffInputs.of(project, limits, half)
    assert int((~base.counts).sum()) == 8
    unreached = labels.measured.copy()
    unreached[0] = False  # nobody measured the lowest speed: it is not in the average
    above = TradeoffInputs.of(project, limits, replace(labels, measured=unreached)).own
    cells = TradeoffInputs.of(project, limits, labels).verdict(Settings.of(project)).cells.isel(load=-1)
    rpm, a, b = (cells[name].to_numpy()[1:] for name in ("rpm", "intake_phase", "exhaust_phase"))
    assert above.full_torque == pytest.approx(trapezoid(torque_at(rpm, a, b), rpm) / np.ptp(rpm))
    none = np.zeros_like(known)
    with pytest.raises(InputError, match=r"search.weights: the torque model knows no cell"):
        TradeoffInputs.of(project, limits, TorqueMap(labels.torque, labels.deviation, none, none, False))
    blank: Callable[[np.ndarray], np.ndarray] = lambda values: np.where(known, values, np.nan)  # noqa: E731
    simulated = TorqueMap(blank(labels.torque), labels.deviation, known, known, True)
    assert np.isfinite(TradeoffInputs.of(project, limits, simulated).outcome(Settings(0.02, 1.0, 0.5)).torque)
