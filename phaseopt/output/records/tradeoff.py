"""What `phaseopt tradeoff` found."""

from typing import Self

from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.output.records.pieces import ContactVerdict
from phaseopt.study.tradeoff import Tradeoff


class SettingsTrialRecord(Record):
    """One trial: three settings and what they bring. Number 0 is the project as it stands."""

    trial: int = Field(description="its number")
    roughness: float = Field(description="key under [search]")
    caution: float = Field(description="key under [search]")
    slew_share: float = Field(description="key under [search]")
    torque: float = Field(description="expected of the tables, mean of the cells by weight, N·m")
    torque_sd: float = Field(description="standard deviation of a cell's torque, mean by weight, N·m")
    full_torque: Known = Field(description="on average at full throttle, as of a build, N·m")
    sure_torque: float = Field(description="torque less the project's own caution times its uncertainty, N·m")
    rms_step: float = Field(description="change of phase per 500 rpm or 10 kPa, rms, crank degrees")
    largest_step: float = Field(description="between neighbouring cells, crank degrees")
    slew_used: float = Field(description="largest share of what a phaser can follow")
    gap: float = Field(description="share of its value by which its search may be below the best")
    on_front: bool = Field(
        description="no other is as good in torque, uncertainty, rms step and slew used and better in one"
    )

    @classmethod
    def of(cls, found: Tradeoff, position: int) -> Self:
        """From one trial of a study."""
        at = found.trials.isel(trial=position)
        return cls(**{name: at[name].item() for name in cls.model_fields})


class TradeoffRecord(CommandRecord):
    """Smoothness, slew in hand and caution against torque."""

    project: str = Field(description="name of the project")
    trials: tuple[SettingsTrialRecord, ...] = Field(description="each trial")
    knee: int = Field(description="number of the trial at the knee")
    most_torque: int = Field(description="number of the trial with the most torque")
    curve: tuple[int, ...] = Field(description="numbers of the trials along the curve of torque over rms step")
    refused: dict[str, str] = Field(description="why trials left no tables, by their number")
    earlier: int = Field(description="trials that earlier runs had made")
    uncounted: int = Field(description="cells that do not count: the torque model does not know them")
    knee_accepted: bool = Field(description="whether the knee's tables keep the contact rules")
    full_travel: ContactVerdict = Field(description="verdict on full travel")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")
    notes: tuple[str, ...] = Field(description="what goes with the torque, in sentences")

    @classmethod
    def of(cls, found: Tradeoff) -> Self:
        """From a study."""
        numbers = found.trials["trial"].to_numpy().tolist()
        return cls(
            project=found.project.name,
            trials=tuple(SettingsTrialRecord.of(found, position) for position in range(len(numbers))),
            knee=numbers[found.knee],
            most_torque=numbers[found.most],
            curve=tuple(numbers[place] for place in found.curve("rms_step")),
            refused={str(number): why for number, why in found.refused.items()},
            earlier=found.earlier,
            uncounted=found.uncounted,
            knee_accepted=found.verdict.accepted,
            full_travel=found.verdict.full_travel.verdict,
            not_covered=found.verdict.not_covered,
            notes=found.notes,
        )
