"""What `phaseopt plan` proposes."""

from typing import Literal, Self

from pydantic import Field

from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.output.records.pieces import BoxVerdictRecord, ClearancesRecord, ContactVerdict
from phaseopt.project import SIDES
from phaseopt.study.run_sheet import RunSheet, SheetPull

_LISTS = ("rpm", *(f"{side}_{what}" for side in SIDES for what in ("phase", "reading")), "icl", "ecl")


class HandClearancesRecord(Record):
    """The least clearance you should measure at any of the timings, by contact, mm."""

    intake_piston: float = Field(description="intake valve to piston")
    exhaust_piston: float = Field(description="exhaust valve to piston")
    valve_valve: float | None = Field(None, description="intake valve to exhaust valve; null where not covered")


class PlannedPullRecord(Record):
    """A pull to make: each list has an entry a speed."""

    number: int = Field(description="place in the day, from 1")
    kind: Literal["fixed", "table", "in turn", "baseline", "spark swing"] = Field(
        description="one timing held, along a table, a few timings by bands of speed, a repeat for drift, or for spark"
    )
    spark: float = Field(description="ignition advance beside the usual one, crank degrees, + = more")
    expected_gain_Nm: Known = Field(
        description="what it is expected to add to the average torque of the final tables at full throttle, N·m"
    )
    rpm: tuple[float, ...] = Field(description="rpm")
    intake_phase: tuple[float, ...] = Field(description="crank degrees from rest")
    exhaust_phase: tuple[float, ...] = Field(description="crank degrees from rest")
    intake_reading: tuple[float, ...] | None = Field(
        description="what the log reads there; null where that is not stated"
    )
    exhaust_reading: tuple[float, ...] | None = Field(description="the same of the exhaust")
    icl: tuple[float, ...] = Field(description="intake centreline, crank degrees ATDC")
    ecl: tuple[float, ...] = Field(description="exhaust centreline, crank degrees BTDC")
    by_hand: HandClearancesRecord = Field(description="clearances you should measure, mm")
    static: ClearancesRecord = Field(description="static clearances over all of it and the way from rest, mm")
    running: ClearancesRecord = Field(description="running clearances at the top speed, mm")
    verdict: ContactVerdict = Field(description="the verdict on contact")

    @classmethod
    def of(cls, contacts: tuple[str, ...], pull: SheetPull) -> Self:
        """From a pull of the sheet; `contacts` that are covered."""
        lists = {name: pull.timings[name].to_numpy().tolist() if name in pull.timings else None for name in _LISTS}
        return cls(
            number=pull.number,
            kind=pull.kind,
            spark=pull.spark,
            expected_gain_Nm=pull.expected_gain,
            **lists,
            by_hand=HandClearancesRecord(**{contact: round(pull.by_hand(contact), 3) for contact in contacts}),
            static=ClearancesRecord(**pull.box.static),
            running=ClearancesRecord(**pull.box.running),
            verdict=pull.box.verdict,
        )


class PlanRecord(CommandRecord):
    """The next pulls to make."""

    project: str = Field(description="name of the project")
    pulls: tuple[PlannedPullRecord, ...] = Field(description="each pull, in the order to make them")
    spark_swing: tuple[PlannedPullRecord, ...] = Field(
        description="pulls after those: the best timing by now with the usual spark, less and more"
    )
    clamps: BoxVerdictRecord = Field(
        description="all timings and rest as one range: its ends are the day's clamps if clear"
    )
    expected_gain_Nm: tuple[Known, ...] = Field(
        description="gain of the final tables after none, one, two ... of the pulls, on average at full throttle, N·m"
    )
    left_out: int = Field(description="planned pulls left out, for they are not clear")
    stop: str = Field(description="when to stop, in words")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, sheet: RunSheet) -> Self:
        """From a run sheet."""
        return cls(
            project=sheet.model.project.name,
            pulls=tuple(PlannedPullRecord.of(sheet.model.contacts, pull) for pull in sheet.pulls),
            spark_swing=tuple(PlannedPullRecord.of(sheet.model.contacts, pull) for pull in sheet.swing),
            clamps=BoxVerdictRecord.model_validate(sheet.clamps),
            expected_gain_Nm=sheet.expected,
            left_out=sheet.left_out,
            stop=sheet.stop,
            notes=sheet.notes,
            not_covered=sheet.model.not_covered,
        )
