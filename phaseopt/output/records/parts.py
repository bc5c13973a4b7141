"""What `phaseopt parts` found."""

from typing import Literal, Self

from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Figure, Known, Record, RoundedDown
from phaseopt.output.records.pieces import ByCamRecord, ClearancesRecord, ContactVerdict
from phaseopt.project import SIDES
from phaseopt.report.parts_facts import (
    PartFact,
    deciding,
    gain_as_tried,
    last_outcome,
    least_gain,
    listed,
    part_facts,
    runner_up,
    state_of,
    strongest_pair,
    to_build,
    uncovered,
)
from phaseopt.study.parts.study import PartsStudy


class CombinationRecord(Record):
    """A combination of parts, at the finest level it was tried at."""

    key: str = Field(description="what it is called in this object")
    parts: dict[str, str] = Field(description="the parts that are not fitted now, by kind")
    state: Literal["tried coarsely", "tried finely", "tried whole", "not tried", "left out", "to measure"] = Field(
        description="how far it was tried, or why it was not"
    )
    why: str | None = Field(description="why it was left out; null where it was not")
    measure: tuple[str, ...] = Field(description="what to measure before it can be tried")
    price: Known = Field(description="what its parts cost, in `currency`")
    torque_Nm: Figure = Field(description="mean at full throttle over `band_rpm`, best timing")
    gain_Nm: Figure = Field(description="over the engine as it is, at the same level")

    @classmethod
    def of(cls, study: PartsStudy, key: str) -> Self:
        """From one combination of a study."""
        found = last_outcome(study, key)
        return cls(
            key=key,
            parts=dict(study.combinations[key].changed),
            state=state_of(study, key),
            why=study.refused.get(key),
            measure=study.unmeasured.get(key, ()),
            price=study.price(key) if key in study.fits else None,
            torque_Nm=None if found is None else found.torque,
            gain_Nm=gain_as_tried(study, key),
        )


class TriedWholeRecord(Record):
    """A combination that was tried whole."""

    key: str = Field(description="which")
    number: int | None = Field(description="its number for --write; null for the engine as it is")
    gain_Nm: Figure = Field(description="mean over the engine as it is, at full throttle over `band_rpm`")
    gain_sd_Nm: Figure = Field(description="its standard deviation")
    best: float = Field(description="probability that it makes the most torque of these")
    pays: float = Field(description="probability that it gains `least_gain_Nm` or more")
    hours: Known = Field(description="hours to fit its parts")
    rpm: tuple[float, ...] = Field(description="speeds of the tables")
    torque_Nm: tuple[Figure, ...] = Field(description="at full throttle, by speed")
    intake_phase: tuple[float, ...] = Field(description="best at full throttle, crank degrees from rest, by speed")
    exhaust_phase: tuple[float, ...] = Field(description="the same of the exhaust cam")
    icl: tuple[float, ...] = Field(description="the intake centrelines of these, crank degrees ATDC")
    ecl: tuple[float, ...] = Field(description="the exhaust centrelines of these, crank degrees BTDC")
    offset: ByCamRecord = Field(description="installed offset to fit each cam at, crank degrees, + = advanced")
    running: ClearancesRecord = Field(description="running clearances of the tables, mm")
    static: ClearancesRecord = Field(description="static clearances of the tables, mm")
    margin: RoundedDown = Field(description="the least that clearances have above the rules, mm")
    full_travel: ContactVerdict = Field(description="verdict on full travel")
    control_rpm: ByCamRecord = Field(description="speed up to which the springs hold the valves; null without springs")
    knock_later: Figure = Field(description="crank degrees by which knock makes it burn later, at most; null: unknown")
    measure: tuple[str, ...] = Field(description="what to measure once it is assembled")
    notes: tuple[str, ...] = Field(description="what goes with it, in sentences")

    @classmethod
    def of(cls, study: PartsStudy, key: str) -> Self:
        """From one of the finalists of a study."""
        found, fits, keys = study.outcome(key), study.fits[key], listed(study)
        at, now = study.finalists.index(key), study.finalists.index(study.present)
        mean, deviation = study.gain(key)
        is_now = key == study.present
        return cls(
            key=key,
            number=None if is_now else keys.index(key) + 1,
            gain_Nm=mean,
            gain_sd_Nm=0.0 if is_now else deviation,
            best=float(study.paired.best[at]),
            pays=study.paired.beats(at, now, least_gain(study)),
            hours=fits.hours,
            rpm=tuple(found.rpm.tolist()),
            torque_Nm=tuple(found.curve.tolist()),
            intake_phase=tuple(found.phases[0].tolist()),
            exhaust_phase=tuple(found.phases[1].tolist()),
            icl=tuple(found.icl.tolist()),
            ecl=tuple(found.ecl.tolist()),
            offset=ByCamRecord(**dict(zip(SIDES, found.offsets, strict=True))),
            running=ClearancesRecord(**found.running),
            static=ClearancesRecord(**found.static),
            margin=found.margin,
            full_travel=found.travel,
            control_rpm=ByCamRecord(**{side: found.control.get(side) for side in SIDES}),
            knock_later=found.late,
            measure=fits.measure,
            notes=fits.notes,
        )


class PartRecord(Record):
    """What a part brings over the present one."""

    kind: str = Field(description="its kind, as in the shelf file")
    name: str = Field(description="what it is called")
    price: Known = Field(description="what it costs, in `currency`")
    mean_Nm: Figure = Field(description="on average over the pairs of combinations that differ in it alone")
    sd_Nm: Figure = Field(description="standard deviation of that; null where no two tried whole differ in it alone")
    least_Nm: Figure = Field(description="the least that it brings with others")
    most_Nm: Figure = Field(description="the most that it brings with others")
    alone_Nm: Figure = Field(description="what it brings with nothing else changed; null where that was not tried")
    poor_value: str | None = Field(description="why it is not worth its money; null where it is")

    @classmethod
    def of(cls, fact: PartFact) -> Self:
        """From what is known of one part."""
        return cls(
            kind=fact.part[0],
            name=fact.part[1],
            price=fact.price,
            mean_Nm=fact.brings.mean,
            sd_Nm=fact.deviation,
            least_Nm=fact.brings.least,
            most_Nm=fact.brings.most,
            alone_Nm=fact.alone,
            poor_value=fact.little or None,
        )


class TogetherRecord(Record):
    """Two parts together."""

    parts: tuple[str, ...] = Field(description="their names")
    more_Nm: Figure = Field(description="what they bring beyond each by itself; below 0 they are in each other's way")


class DecideRecord(Record):
    """What would narrow the difference of the best two most."""

    between: tuple[str, str] = Field(description="which two, by key")
    difference_Nm: Figure = Field(description="how much more the first makes")
    difference_sd_Nm: Figure = Field(description="its standard deviation")
    measure: str | None = Field(description="what to measure; null where nothing does")
    left_sd_Nm: Figure = Field(description="standard deviation left then")


class AuditRecord(Record):
    """How combinations that were left behind fared when some were tried finely all the same."""

    left_behind: int = Field(description="how many were left behind")
    tried: int = Field(description="how many of them were tried finely")
    surprise_Nm: Figure = Field(
        description="how far the best of them came out above the best of all; below 0: none did"
    )
    error_Nm: Figure = Field(description="rms of what the coarse level has wrong")


class PartsRecord(CommandRecord):
    """Which parts on a shelf to bolt together."""

    project: str = Field(description="name of the project")
    currency: str | None = Field(description="what prices are in")
    band_rpm: tuple[float, float] = Field(description="speeds that count, rpm")
    least_gain_Nm: float = Field(description="the least gain that pays, N·m")
    build: str | None = Field(description="key of the combination to build; null: none is surely better")
    next_best: str | None = Field(description="key of the next best; null where `build` is")
    tried_whole: tuple[TriedWholeRecord, ...] = Field(description="those tried whole, the most torque first")
    combinations: tuple[CombinationRecord, ...] = Field(description="all that may be fitted together")
    parts: tuple[PartRecord, ...] = Field(description="what each part brings, the most first")
    together: TogetherRecord | None = Field(description="the two parts that matter most to each other; null: none do")
    decide: DecideRecord | None = Field(description="what would decide between the best two; null where `build` is")
    audit: AuditRecord = Field(description="a check of what was left behind")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, study: PartsStudy) -> Self:
        """From a parts study."""
        best, other, pair = to_build(study), runner_up(study), strongest_pair(study)
        return cls(
            project=study.base.project.name,
            currency=study.shelf.currency,
            band_rpm=study.base.band,
            least_gain_Nm=least_gain(study),
            build=best,
            next_best=other,
            tried_whole=tuple(TriedWholeRecord.of(study, key) for key in study.finalists),
            combinations=tuple(CombinationRecord.of(study, key) for key in study.combinations),
            parts=tuple(map(PartRecord.of, part_facts(study))),
            together=None
            if pair is None
            else TogetherRecord(parts=tuple(name for _, name in pair.parts), more_Nm=pair.mean),
            decide=None if best is None or other is None else _decide(study, best, other),
            audit=AuditRecord(
                left_behind=study.audit.left_behind,
                tried=study.audit.tried,
                surprise_Nm=study.audit.surprise,
                error_Nm=study.audit.error,
            ),
            not_covered=uncovered(study),
        )


def _decide(study: PartsStudy, best: str, other: str) -> DecideRecord:
    (mean, deviation), found = study.gain(best, other), deciding(study, best, other)
    return DecideRecord(
        between=(best, other),
        difference_Nm=mean,
        difference_sd_Nm=deviation,
        measure=None if found is None else found.measure,
        left_sd_Nm=None if found is None else found.left,
    )
