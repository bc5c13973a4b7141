"""What `phaseopt confirm` found."""

from typing import Any, Self

import xarray as xr
from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.output.records.pieces import ContactVerdict
from phaseopt.report.subjects.confirm import STATISTIC, entry_text, phase_lines, verdict_words
from phaseopt.study.confirm import Confirmation, TorqueVerdict


class DrivenPointsRecord(Record):
    """The points of the pull: each list has an entry a point, null where the torque model does not know it."""

    rpm: tuple[float, ...] = Field(description="mean engine speed, rpm")
    load: tuple[float, ...] = Field(description="mean load, kPa")
    intake_phase: tuple[Known, ...] = Field(description="as driven, crank degrees from rest")
    exhaust_phase: tuple[Known, ...] = Field(description="as driven, crank degrees from rest")
    intake_asked: tuple[Known, ...] = Field(description="what its table asks for, crank degrees")
    exhaust_asked: tuple[Known, ...] = Field(description="what its table asks for, crank degrees")
    predicted: tuple[Known, ...] = Field(description="predicted torque, N·m")
    predicted_within: tuple[Known, ...] = Field(description="its 95 % interval, either way, N·m")
    measured: tuple[Known, ...] = Field(description="measured torque, N·m")
    difference: tuple[Known, ...] = Field(description="measured less predicted, N·m")
    difference_within: tuple[Known, ...] = Field(description="its 95 % interval, either way, N·m")
    baseline: tuple[Known, ...] = Field(description="torque of the baseline as the model has it, N·m")
    predicted_gain: tuple[Known, ...] = Field(description="predicted gain over the baseline, N·m")
    predicted_gain_within: tuple[Known, ...] = Field(description="its 95 % interval, either way, N·m")
    gain: tuple[Known, ...] = Field(description="measured gain over the baseline, N·m")
    gain_within: tuple[Known, ...] = Field(description="its 95 % interval, either way, N·m")
    contact: tuple[ContactVerdict, ...] = Field(description="verdict on the timing driven")

    @classmethod
    def of(cls, points: xr.Dataset) -> Self:
        """From the points of a confirmation."""
        return cls(**{name: points[name].to_numpy().tolist() for name in cls.model_fields})


class ConfirmRecord(CommandRecord):
    """A pull on the new tables against the prediction."""

    verdict: TorqueVerdict = Field(description="the verdict on torque; inconclusive: one pull cannot show it")
    fulfilled: bool = Field(description="torque is at least as predicted, and no timing outside the contact limits")
    sentence: str = Field(description="the verdict in words")
    judged_by: str = Field(description="how it was judged")
    from_rpm: Known = Field(description="least speed of the averages, by area under the curve, rpm")
    to_rpm: Known = Field(description="greatest speed of the averages, rpm")
    mean_difference_Nm: Known = Field(description="measured less predicted, on average, N·m")
    mean_difference_within_Nm: Known = Field(description="its 95 % interval, either way, N·m")
    mean_gain_Nm: Known = Field(description="measured gain over the baseline, on average, N·m")
    mean_gain_within_Nm: Known = Field(description="its 95 % interval, either way, N·m")
    mean_predicted_gain_Nm: Known = Field(description="predicted gain, on average, as of a build, N·m")
    mean_predicted_gain_within_Nm: Known = Field(description="its 95 % interval, either way, N·m")
    points: DrivenPointsRecord = Field(description="the points of the pull")
    phases: tuple[str, ...] = Field(description="whether the phasers followed, in sentences")
    outside_rpm: tuple[float, ...] = Field(description="speeds at which a timing driven broke a contact rule, rpm")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")
    entry: str = Field(description="the entry that joins the pull to the data, TOML")

    @classmethod
    def of(cls, found: Confirmation, entry: dict[str, Any]) -> Self:
        """From a pull held against its prediction; `entry`, the pull as a project file has it."""
        compared = found.differences
        return cls(
            verdict=found.word,
            fulfilled=found.fulfilled,
            sentence=verdict_words(found),
            judged_by=STATISTIC,
            from_rpm=found.rpm[0],
            to_rpm=found.rpm[1],
            mean_difference_Nm=None if compared is None else compared.mean,
            mean_difference_within_Nm=None if compared is None else compared.mean_within,
            mean_gain_Nm=found.mean_gain,
            mean_gain_within_Nm=found.mean_gain_within,
            mean_predicted_gain_Nm=found.mean_predicted_gain,
            mean_predicted_gain_within_Nm=found.mean_predicted_gain_within,
            points=DrivenPointsRecord.of(found.points),
            phases=tuple(phase_lines(found)),
            outside_rpm=found.outside,
            notes=found.notes,
            entry=entry_text(entry),
        )
