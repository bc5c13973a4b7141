"""What `phaseopt offsets` found."""

from typing import Literal, Self

from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record, RoundedDown
from phaseopt.output.records.pieces import ClearancesRecord, ContactVerdict
from phaseopt.study.offset_gains import Band, Gain, torque_change
from phaseopt.study.offset_range import Offsets
from phaseopt.study.offset_trial import Trial
from phaseopt.study.offset_try import OffsetTry, cannot_hit
from phaseopt.study.offsets import Choice, OffsetStudy


class OffsetTrialRecord(Record):
    """A pair of installed offsets with its best tables."""

    intake_offset: float = Field(description="crank degrees, + = advanced")
    exhaust_offset: float = Field(description="crank degrees, + = advanced")
    score: Known = Field(description="score of its best tables, N·m a cell")
    bound: Known = Field(description="what no tables can beat, N·m a cell")
    full_load_torque: Known = Field(description="mean at full load, N·m")
    clear: bool = Field(description="whether its tables keep the contact rules")
    static: ClearancesRecord = Field(description="static clearances of the tables, mm")
    running: ClearancesRecord = Field(description="running clearances of the tables, mm")
    full_travel: ContactVerdict = Field(description="verdict on full travel")
    full_travel_running: ClearancesRecord = Field(description="running clearances of full travel, mm")
    full_travel_margin: RoundedDown = Field(
        description="what full travel leaves above the rule that limits it, mm; below 0 it is broken"
    )
    cells_unknown: int = Field(description="cells that the torque model does not know")
    cells_unmeasured: int = Field(description="cells that measured points do not reach")
    intake_beyond: Known = Field(
        description="how far tables leave the intake centrelines measured; null: none measured"
    )
    exhaust_beyond: Known = Field(description="how far they leave the exhaust centrelines measured, crank degrees")

    @classmethod
    def of(cls, trial: Trial) -> Self:
        """From one pair of offsets tried."""
        return cls(
            intake_offset=trial.offsets[0],
            exhaust_offset=trial.offsets[1],
            score=trial.score,
            bound=trial.bound,
            full_load_torque=trial.full_load,
            clear=trial.clear,
            static=ClearancesRecord(**trial.static),
            running=ClearancesRecord(**trial.running),
            full_travel=trial.travel,
            full_travel_running=ClearancesRecord(**trial.travel_running),
            full_travel_margin=trial.travel_margin,
            cells_unknown=trial.unknown,
            cells_unmeasured=trial.unmeasured,
            intake_beyond=trial.outside[0],
            exhaust_beyond=trial.outside[1],
        )


class BandRecord(Record):
    """Gain at full load over a third of the speeds."""

    name: Literal["low", "middle", "high"] = Field(description="which third")
    from_rpm: Known = Field(description="rpm")
    to_rpm: Known = Field(description="rpm")
    gain_Nm: Known = Field(description="mean, N·m")
    gain_sd_Nm: Known = Field(description="its standard deviation, N·m")
    share: Known = Field(description="gain as a share of torque as fitted")

    @classmethod
    def of(cls, band: Band) -> Self:
        """From one band of speeds."""
        low, high = band.rpm
        return cls(
            name=band.name, from_rpm=low, to_rpm=high, gain_Nm=band.mean, gain_sd_Nm=band.deviation, share=band.share
        )


class OffsetGainRecord(Record):
    """What offsets gain over those as fitted, best tables against best tables."""

    gain_Nm: Known = Field(description="mean of all cells by weight, which decides, N·m")
    gain_sd_Nm: Known = Field(description="its standard deviation, N·m")
    average_gain_Nm: Known = Field(description="on average at full throttle, as of a build, N·m")
    average_gain_sd_Nm: Known = Field(description="its standard deviation, N·m")
    full_load: tuple[BandRecord, ...] = Field(description="at full load, by thirds of the speeds")

    @classmethod
    def of(cls, gain: Gain) -> Self:
        """From a gain."""
        return cls(
            gain_Nm=gain.mean,
            gain_sd_Nm=gain.deviation,
            average_gain_Nm=gain.average.gain,
            average_gain_sd_Nm=gain.average.deviation,
            full_load=tuple(map(BandRecord.of, gain.bands)),
        )


class ChoiceRecord(Record):
    """Offsets to choose, with what they gain."""

    trial: OffsetTrialRecord = Field(description="the offsets and their best tables")
    gain: OffsetGainRecord | None = Field(description="over the offsets as fitted; null for those themselves")

    @classmethod
    def of(cls, choice: Choice) -> Self:
        """From one choice of a study."""
        gain = None if choice.gain is None else OffsetGainRecord.of(choice.gain)
        return cls(trial=OffsetTrialRecord.of(choice.trial), gain=gain)


class RefusedRecord(Record):
    """Offsets at which nothing can be solved."""

    intake_offset: float = Field(description="crank degrees, + = advanced")
    exhaust_offset: float = Field(description="crank degrees, + = advanced")
    why: str = Field(description="why, in words")

    @classmethod
    def of(cls, found: tuple[Offsets, str]) -> Self:
        """From offsets and the reason."""
        (intake, exhaust), why = found
        return cls(intake_offset=intake, exhaust_offset=exhaust, why=why)


class OffsetsRecord(CommandRecord):
    """Where the cams would best be fitted."""

    project: str = Field(description="name of the project")
    trials: int = Field(description="pairs of offsets tried in all")
    refused: tuple[RefusedRecord, ...] = Field(description="those at which nothing can be solved")
    recommended: Literal["fitted", "guarded", "free"] | None = Field(
        description="which of the choices below to fit; null where none can be recommended"
    )
    fitted: ChoiceRecord = Field(description="the offsets as they are")
    guarded: ChoiceRecord = Field(description="the best with tables as the only guard: full travel may break the rules")
    free: ChoiceRecord | None = Field(description="the best at which full travel is clear; null where none tried is")
    front: tuple[OffsetTrialRecord, ...] = Field(description="no other is as good in torque and in full travel")
    notes: tuple[str, ...] = Field(description="what goes with the torque, in sentences")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, study: OffsetStudy) -> Self:
        """From a study of offsets."""
        names = ("fitted", "guarded", "free")
        found = {name: getattr(study, name) for name in names}
        picked = [name for name, choice in found.items() if choice is not None and choice is study.recommended]
        return cls(
            project=study.project.name,
            trials=study.count,
            refused=tuple(map(RefusedRecord.of, study.refused)),
            recommended=picked[0] if picked else None,
            **{name: None if choice is None else ChoiceRecord.of(choice) for name, choice in found.items()},
            front=tuple(map(OffsetTrialRecord.of, study.front)),
            notes=study.notes,
            not_covered=study.model.not_covered,
        )


class TriedRecord(Record):
    """A given pair of offsets beside the offsets as fitted."""

    trial: OffsetTrialRecord = Field(description="the offsets and their best tables")
    gain: OffsetGainRecord = Field(description="over the offsets as fitted")
    torque: Literal["more", "same", "shifted", "less", "not proved", "unknown"] = Field(
        description="more or less than as fitted where that is sure and a dyno shows it, same where none could "
        "show any, shifted where that is so on average and not in each third of the speeds"
    )
    cannot_hit: bool = Field(description="whether tables and full travel keep both rules")


class OffsetTryRecord(CommandRecord):
    """Given pairs of installed offsets beside the offsets as fitted."""

    project: str = Field(description="name of the project")
    fitted: OffsetTrialRecord = Field(description="the offsets as they are")
    fitted_cannot_hit: bool = Field(description="whether tables and full travel keep both rules as fitted")
    tried: tuple[TriedRecord, ...] = Field(description="the given pairs, in their order")
    refused: tuple[RefusedRecord, ...] = Field(description="those at which nothing can be solved")
    notes: tuple[str, ...] = Field(description="what goes with the torque, in sentences")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, found: OffsetTry) -> Self:
        """From given pairs as compared."""
        now = found.fitted.trial
        return cls(
            project=found.project.name,
            fitted=OffsetTrialRecord.of(now),
            fitted_cannot_hit=cannot_hit(now),
            tried=tuple(
                TriedRecord(
                    trial=OffsetTrialRecord.of(each.trial),
                    gain=OffsetGainRecord.of(each.gain),
                    torque=torque_change(each.gain, now).value,
                    cannot_hit=cannot_hit(each.trial),
                )
                for each in found.tried
                if each.gain is not None
            ),
            refused=tuple(map(RefusedRecord.of, found.refused)),
            notes=found.notes,
            not_covered=found.model.not_covered,
        )
