"""A study of installed offsets: what a trial is, that none is made twice, that it goes on where it was stopped."""

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import optuna
import pytest
from cycle.test_from_project import CYCLE, FOUR
from engines import project_of
from hillclimb import pulls_alone, pulls_alone_file
from optuna.trial import TrialState
from printed import require_documented
from read_document import unexplained

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.engine.camshaft import engine_of
from phaseopt.job.build import build
from phaseopt.job.gains import AverageGain
from phaseopt.output.offsets_files import offsets_files
from phaseopt.output.records.offsets import OffsetsRecord
from phaseopt.project.load import load_project
from phaseopt.report.subjects.offsets import offsets_document, recommended_words
from phaseopt.report.terminal import terminal_text
from phaseopt.search.objective import TorqueMap, torque_map
from phaseopt.study import offsets
from phaseopt.study.offset_gains import Band, Gain, gain_between, torque_change
from phaseopt.study.offset_range import OffsetRange, TorqueEverywhere, fitted_at, offset_range, reaching
from phaseopt.study.offset_sampler import NAMES, FreshSampler, distributions
from phaseopt.study.offset_trial import Trial, centrelines_at
from phaseopt.study.offsets import OffsetStudy, cached_offsets, choose_offsets, finished, make_trials, study_offsets
from phaseopt.torque_model import TorqueModel, torque_model
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent

SMALL = OffsetRange((-12.0, 10.0), (1.0, 1.0), ((-2, 1), (0, 4)))


@pytest.fixture(scope="module")
def learnt() -> TorqueModel:
    project = pulls_alone()
    model = contact_model(project)
    return torque_model(reaching(project, offset_range(phase_limits(model))), silent)


@pytest.fixture(scope="module")
def study(learnt: TorqueModel, tmp_path_factory: pytest.TempPathFactory) -> OffsetStudy:
    """Six trials, stopped in the third and gone on with."""
    project = load_project(pulls_alone_file(tmp_path_factory.mktemp("study")))
    made: list[object] = []
    solve = offsets.tried

    def stopped(*arguments: object) -> Trial:
        made.append(arguments)
        if len(made) == 3:
            raise KeyboardInterrupt
        return solve(*arguments)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(offsets, "torque_model", lambda *_: learnt)
        patched.setattr(offsets, "tried", stopped)
        with pytest.raises(KeyboardInterrupt):
            study_offsets(project, 6)
        assert study_offsets(project, 2).count == 2  # two were finished: nothing is made again
        assert len(made) == 3
        found = study_offsets(project, 6)
    assert len(made) == 7
    return found


def test_a_stopped_study_ends_with_as_many_trials_and_recommends(study: OffsetStudy) -> None:
    assert study.count == 6
    assert len({trial.offsets for trial in study.trials}) == 6
    assert study.recommended is not None
    assert study.trials[0].offsets == (-12.0, 10.0)


def test_what_was_reported_is_there_for_a_build(study: OffsetStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read again without learning torque, as a build does; nothing of it where the project is another."""
    limits = phase_limits(study.model)
    cached = cached_offsets(limits, study.notes)
    assert cached is not None
    assert OffsetsRecord.of(cached) == OffsetsRecord.of(study)
    monkeypatch.setattr(offsets, "study_key", lambda _: "other inputs")
    assert cached_offsets(limits, study.notes) is None


def test_what_is_recommended_follows_what_the_project_allows(study: OffsetStudy, learnt: TorqueModel) -> None:
    def chosen(*, guard: bool, trials: tuple[Trial, ...]) -> OffsetStudy:
        project = study.project.model_copy(
            update={"gap": study.project.gap.model_copy(update={"tables_only_guard": guard})}
        )
        return choose_offsets(
            contact_model(project), study.notes, study.range, trials, (),
            lambda now, trial: gain_between(project, learnt.surface, now, trial),
        )  # fmt: skip

    without = chosen(guard=False, trials=study.trials)
    assert without.recommended is without.free
    assert without.free is not None
    assert without.free.trial.travel_clear
    assert chosen(guard=True, trials=study.trials[:1]).recommended is not None
    none = chosen(guard=False, trials=study.trials[:1])
    assert none.recommended is None
    assert recommended_words(none).startswith("No offset can be recommended")


def test_its_words_and_files_say_the_same(study: OffsetStudy) -> None:
    files = offsets_files(study)
    rows = list(csv.DictReader(io.StringIO(files["offsets.csv"])))
    assert len(rows) == len(study.trials)
    for row, trial in zip(rows, study.trials, strict=True):
        assert (float(row["intake_offset"]), float(row["exhaust_offset"])) == trial.offsets
        assert float(row["full_travel_margin"]) <= trial.travel_margin  # worst case, so never rounded up
    columns = {column["name"] for column in json.loads(files["offsets.csv-metadata.json"])["tableSchema"]["columns"]}
    assert columns == set(rows[0])
    text = " ".join(terminal_text(offsets_document(study)).split())
    for words in ("by hand", "offsets = { intake = -12, exhaust = 10 }", "radial clearance", "the only guard"):
        assert words in text
        assert words.replace("\n", " ") in unexplained(files["offsets.html"])
    record = OffsetsRecord.of(study)
    assert record.trials == 6
    assert record.recommended is not None
    picked = getattr(study, record.recommended)
    assert picked is study.recommended
    require_documented("offsets", record.model_dump(mode="json"))


def test_gains_share_their_uncertainty(study: OffsetStudy, learnt: TorqueModel) -> None:
    """Expected gain by speed is the difference of two predictions. Its deviation is at most the sum of theirs (triangle
    inequality), and nothing where both tables have the same centrelines."""
    assert study.free is not None
    assert study.free.gain is not None
    project, now, other = study.project, study.fitted.trial, study.free.trial
    stands = [centrelines_at(project, t.offsets, t.phases)[:, :, -1] for t in (other, now)]
    rpm, load = np.array(project.tables.rpm), np.full(len(project.tables.rpm), project.tables.load[-1])
    (torque, one), (before, other_one) = (learnt.surface.predict(np.column_stack([rpm, load, *at])) for at in stands)
    assert study.free.gain.full_load == pytest.approx(torque - before, abs=1e-6)
    assert (study.free.gain.full_load_deviation <= one + other_one + 1e-6).all()
    same = np.abs(stands[0] - stands[1]).max(axis=0) < 1e-9
    assert same.any()
    assert np.abs(study.free.gain.full_load_deviation[same]).max() < 1e-3


def test_a_degree_of_offset_is_a_degree_of_travel(study: OffsetStudy) -> None:
    """Authority of a phaser from its offset (common practice, no source): a cam fitted a degree later must move
    a degree more to stand at the same limit, and at full travel it stands a degree further from the piston."""
    project = pulls_alone()
    boxes = {}
    for moved in ((-12.0, 10.0), (-22.0, 10.0), (-12.0, 17.0)):
        limits = phase_limits(contact_model(fitted_at(project, moved)))
        assert len(limits.boxes) == 1
        boxes[moved] = limits.boxes[0]
    assert boxes[-22.0, 10.0].intake_to == boxes[-12.0, 10.0].intake_to + 10.0
    assert boxes[-12.0, 17.0].exhaust_from == boxes[-12.0, 10.0].exhaust_from - 7.0
    clear = [trial for trial in study.trials if trial.travel_clear]
    assert clear
    wanted = phase_limits(contact_model(project)).full_travel.offset_for_clear
    assert all(t.offsets[0] <= wanted["intake"] and t.offsets[1] >= wanted["exhaust"] for t in clear)  # type: ignore[operator]


def test_torque_of_a_trial_is_that_of_its_own_labels(learnt: TorqueModel) -> None:
    project = pulls_alone()
    model = contact_model(project)
    within = offset_range(phase_limits(model))
    everywhere = TorqueEverywhere.of(model, within, learnt.surface)
    moved = fitted_at(project, (-30.0, 3.0))
    own = contact_model(moved)
    limits = phase_limits(own)
    rows = [(r, k) for r in (0, 9, 15) for k in (0, 7)]
    cut, direct = everywhere.at(limits, (-30.0, 3.0)), torque_map(limits, learnt.surface)
    for r, k in rows:
        assert np.abs(cut.torque[r, k] - direct.torque[r, k]).max() < 1e-6
    assert (cut.measured == direct.measured).mean() > 0.999
    with pytest.raises(ValueError, match="whole steps"):
        everywhere.at(limits, (-30.5, 3.0))


def test_knock_was_heard_where_the_cams_stood_then(tmp_path: Path) -> None:
    """The true centrelines of the reading, and so what it says of knock, do not move with the cams."""
    heard = {"rpm": 3000, "spark": 20, "intake": 10, "exhaust": -5}
    knock = {"octane": "98 RON", "heard": [heard]}
    project = project_of(tmp_path, firing_order=FOUR, cycle={**CYCLE, "knock": knock})
    places = []
    for each in (project, fitted_at(project, (project.intake.offset - 7.0, project.exhaust.offset + 3.0))):
        engine, cycle = engine_of(each), each.cycle
        assert cycle is not None
        assert cycle.knock is not None
        (one,) = cycle.knock.heard
        places.append([float(engine.cam(side).true_centreline(getattr(one, side))) for side in ("intake", "exhaust")])
    assert places[0] == pytest.approx(places[1])


def test_tied_cams_take_pairs_of_one_phase() -> None:
    """Both cams moved by one phaser, fitted 1° and 3° elsewhere: a phase p brings what p + 1 and p + 3 did."""
    wide = np.arange(-5.0, 6.0)
    torque = (100.0 * wide[:, None] + wide[None, :])[None, None]
    flags = np.ones(torque.shape, dtype=np.bool_)
    everywhere = TorqueEverywhere(TorqueMap(torque, torque, flags, flags, simulated=False), (wide, wide), (0.0, 0.0))
    phases = np.array([-1.0, 0.0, 1.0])
    limits = SimpleNamespace(phases_intake=phases, phases_exhaust=phases, contact=SimpleNamespace(tied=True))
    found = everywhere.at(limits, (1.0, 3.0))  # type: ignore[arg-type]
    assert found.torque.shape == (1, 1, 3, 1)
    assert found.torque.ravel().tolist() == [100.0 * (p + 1) + p + 3 for p in phases]


def test_the_front_is_what_no_other_beats(study: OffsetStudy) -> None:
    rng = np.random.default_rng(4)
    trials = [_trial((float(i), 0.0), *map(float, rng.integers(0, 12, 2))) for i in range(60)]

    def beaten(one: Trial) -> bool:
        return any(
            other.score >= one.score and other.travel_margin >= one.travel_margin
            and (other.score, other.travel_margin) != (one.score, one.travel_margin)
            for other in trials
        )  # fmt: skip

    places = {(t.score, t.travel_margin) for t in trials if not beaten(t)}
    assert [(t.score, t.travel_margin) for t in replace(study, trials=tuple(trials)).front] == sorted(
        places, reverse=True
    )


def test_no_pair_is_tried_twice_and_all_are_tried_in_the_end() -> None:
    sampler = FreshSampler(SMALL, [(0, 0), (-2, 4)])
    study = optuna.create_study(sampler=sampler, directions=["maximize", "maximize"])

    def objective(trial: optuna.Trial) -> tuple[float, float]:
        a, b = (trial.suggest_int(name, each.low, each.high) for name, each in distributions(SMALL).items())
        return -abs(a - 1.0) - abs(b - 3.0), float(b)

    study.optimize(objective, n_trials=SMALL.count)
    tried = [tuple(trial.params[name] for name in NAMES) for trial in study.trials]
    assert tried[:2] == [(0, 0), (-2, 4)]
    assert sorted(tried) == [(a, b) for a in range(-2, 2) for b in range(5)]


def test_the_best_pairs_are_found_long_before_all_are_tried() -> None:
    wide = OffsetRange((0.0, 0.0), (1.0, 1.0), ((-20, 20), (-20, 20)))
    study = optuna.create_study(sampler=FreshSampler(wide, [(0, 0)]), directions=["maximize", "maximize"])

    def objective(trial: optuna.Trial) -> tuple[float, float]:
        a, b = (trial.suggest_int(name, each.low, each.high) for name, each in distributions(wide).items())
        return -((a - 11.0) ** 2) - (b + 7.0) ** 2, 0.0

    study.optimize(objective, n_trials=60)  # of 1,681: 60 at random come within 25 with a chance of 95 %
    assert max(trial.values[0] for trial in study.trials) > -8.0


def test_offsets_at_which_rest_is_not_safe_are_refused_and_count() -> None:
    study = optuna.create_study(directions=["maximize", "maximize"])
    study.sampler = FreshSampler(SMALL, [(0, 0)])

    def solve(at: tuple[float, float]) -> Trial:
        if at[0] > -12.0:
            raise InputError.one("comes too near", hint="fit it later")
        return _trial(at, 1.0, 1.0)

    make_trials(study, SMALL.count, solve, SMALL, silent)
    ended = finished(study)
    assert len(ended) == SMALL.count
    assert sum(trial.state == TrialState.FAIL for trial in ended) == 5
    assert {trial.user_attrs["refused"] for trial in ended if trial.state == TrialState.FAIL} == {"comes too near"}


def test_what_another_version_wrote_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = load_project(pulls_alone_file(tmp_path))
    monkeypatch.setattr(offsets, "torque_model", _never)
    monkeypatch.setattr(offsets, "VERSION", 0)
    with pytest.raises(AssertionError, match="learnt"):
        study_offsets(project, 1)
    monkeypatch.setattr(offsets, "VERSION", 1)
    with pytest.raises(InputError, match="another version"):
        study_offsets(project, 1)


def test_a_recommended_offset_builds_clear(study: OffsetStudy) -> None:
    """The best offset at which full travel is clear, in the project with its pulls dated, builds without a guard."""
    assert study.free is not None
    moved = fitted_at(study.project, study.free.trial.offsets)
    moved = moved.model_copy(update={"gap": moved.gap.model_copy(update={"tables_only_guard": False})})
    built = build(moved)
    assert built.verdict.clear
    assert built.limits.full_travel.verdict == "clear"
    assert built.best.search.value / built.best.search.intake.size == pytest.approx(study.free.trial.score, abs=0.02)


def _never(*_: object) -> TorqueModel:
    raise AssertionError("torque was learnt")


def _average(mean: float, deviation: float) -> AverageGain:
    return AverageGain((1000.0, 6000.0), 150.0, 150.0 + mean, deviation)


def _trial(at: tuple[float, float], score: float, margin: float) -> Trial:
    return Trial(
        at, score, score, score, 0, 0, (0.0, 0.0), True, {}, {}, "clear", margin, {"intake_piston": margin},
        np.ones(1, dtype=bool), np.zeros((2, 1, 1)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("mean", "deviation", "change"),
    [(3.0, 0.5, "more"), (-3.0, 0.5, "less"), (0.2, 0.2, "same"), (0.2, 5.0, "not proved"), (math.nan, 0.0, "unknown")],
)
def test_torque_is_the_same_only_where_that_is_sure(mean: float, deviation: float, change: str) -> None:
    """Of 150 N·m: an ordinary dyno repeats to 1 % (common practice, no source)."""
    none, trial = np.zeros(1), _trial((0.0, 0.0), 150.0, 0.0)
    assert torque_change(Gain(mean, deviation, (), none, none, _average(mean, deviation)), trial).value == change
    low = Band("low", (1000.0, 3000.0), -6.0, 1.0, -0.04)  # what is lost there is made up for elsewhere
    shifted = "shifted" if change == "same" else change
    assert torque_change(Gain(mean, deviation, (low,), none, none, _average(mean, deviation)), trial).value == shifted


def test_offsets_that_cost_no_torque_and_cannot_hit_are_recommended(study: OffsetStudy) -> None:
    assert study.free is not None
    hits = next(trial for trial in study.trials if trial.offsets == study.fitted.trial.offsets)
    assert not hits.travel_clear

    def chosen(mean: float) -> OffsetStudy:
        gain = Gain(mean, 0.1, (), np.zeros(1), np.zeros(1), _average(mean, 0.1))
        return choose_offsets(study.model, (), study.range, (hits, study.free.trial), (), lambda *_: gain)  # type: ignore[union-attr]

    same, costly = chosen(-0.1), chosen(-20.0)
    assert same.recommended is same.free
    assert "same torque, and full travel is CLEAR" in recommended_words(same)
    assert costly.recommended is costly.fitted
