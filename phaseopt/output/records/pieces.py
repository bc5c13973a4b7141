"""What several records share: gaps, ranges of phase, verdicts on contact, faults, axes."""

from collections.abc import Iterable
from dataclasses import astuple
from typing import Literal, Self

import xarray as xr
from pydantic import Field

from phaseopt.clearance.check import OUTSIDE, Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.faults import Fault
from phaseopt.clearance.limits import SafeBox
from phaseopt.clearance.model import PhaseBox
from phaseopt.clearance.rules import CLEAR, HITS, TIGHT
from phaseopt.output.records.base import Known, Record, RoundedDown
from phaseopt.project import Side

ContactVerdict = Literal["clear", "tight", "hits"]  # the verdicts of `clearance/rules.py`
Rule = Literal["static", "running"]


class ClearancesRecord(Record):
    """The least clearances by contact, worst case, mm, rounded down."""

    intake_piston: RoundedDown = Field(description="intake valve to piston")
    exhaust_piston: RoundedDown = Field(description="exhaust valve to piston")
    valve_valve: RoundedDown | None = Field(None, description="intake valve to exhaust valve; null where not covered")


class BoxRecord(Record):
    """A range of phases for each cam, crank degrees from rest, + = advanced: any phase in one with any in the other."""

    intake_from: float = Field(description="intake, most retarded")
    intake_to: float = Field(description="intake, most advanced")
    exhaust_from: float = Field(description="exhaust, most retarded")
    exhaust_to: float = Field(description="exhaust, most advanced")

    @classmethod
    def of(cls, box: SafeBox | PhaseBox) -> Self:
        """From phases: intake from, to, exhaust from, to."""
        return cls(**dict(zip(cls.model_fields, box if isinstance(box, tuple) else astuple(box), strict=True)))


class ByCamRecord(Record):
    """Crank degrees for each cam, null where there is none."""

    intake: Known = Field(description="intake cam")
    exhaust: Known = Field(description="exhaust cam")


class FullTravelRecord(Record):
    """What the whole travel of the phasers would do, any intake phase with any exhaust phase, up to overspeed."""

    verdict: ContactVerdict = Field(description="the verdict")
    static: ClearancesRecord = Field(description="static clearances, mm")
    running: ClearancesRecord = Field(description="running clearances, mm")
    offset_for_reserve: ByCamRecord = Field(
        description="installed offset, + = advanced, at which full travel has enough running clearance with the other "
        "cam as fitted; null where none within 60° does"
    )
    offset_for_clear: ByCamRecord = Field(description="the same to keep both rules")
    sentence: str = Field(description="the same in words")


class FixRecord(Record):
    """What would clear one cam, each change by itself; null where it does not help."""

    side: Side = Field(description="the cam")
    offset: Known = Field(description="its installed offset, crank degrees, + = advanced")
    pocket: Known = Field(description="how much deeper its pockets, mm")
    stop: Known = Field(description="phase at which its phaser is stopped, crank degrees")
    alone: bool = Field(description="whether this cam's is enough")


class FaultRecord(Record):
    """What one fault of a phaser would do."""

    name: str = Field(description="the fault in words")
    box: BoxRecord = Field(description="phases that it leaves possible")
    rpm: float = Field(description="up to this speed, rpm")
    verdict: ContactVerdict = Field(description="the verdict")
    static: ClearancesRecord = Field(description="static clearances, mm")
    running: ClearancesRecord = Field(description="running clearances, mm")
    for_reserve: tuple[FixRecord, ...] = Field(description="what would leave enough running clearance")
    for_clear: tuple[FixRecord, ...] = Field(description="what would keep both rules")
    sentence: str = Field(description="the same in words")

    @classmethod
    def of(cls, fault: Fault) -> Self:
        """From a fault as judged."""
        return cls.model_validate(vars(fault) | {"box": BoxRecord.of(fault.box)})


class BoxVerdictRecord(Record):
    """All phases of tables or clamps as one range, rest with them, up to overspeed."""

    range: BoxRecord = Field(description="the range")
    static: ClearancesRecord = Field(description="static clearances, mm")
    running: ClearancesRecord = Field(description="running clearances, mm")
    verdict: ContactVerdict | Literal["outside travel"] = Field(description="the verdict")
    sentence: str = Field(description="the same in words")
    broken_by: str = Field(description="which clear cells break it together, in words; empty where none do")


class CountsRecord(Record):
    """How many there are of each verdict."""

    clear: int = Field(description="both rules hold")
    tight: int = Field(description="clearance is under your minimum")
    hits: int = Field(description="parts can hit")
    outside_travel: int = Field(0, description="the phasers do not reach it")

    @classmethod
    def of(cls, words: Iterable[str]) -> Self:
        """From a verdict each."""
        found = list(words)
        return cls(
            clear=found.count(CLEAR),
            tight=found.count(TIGHT),
            hits=found.count(HITS),
            outside_travel=found.count(OUTSIDE),
        )


class NeighboursRecord(Record):
    """The looser rule between cells: only phases of neighbouring speeds meet, with what the phasers lag behind."""

    verdict: ContactVerdict = Field(description="the verdict")
    sentence: str = Field(description="the same in words, with the place that is closest")
    lag: ByCamRecord = Field(
        description="how far each phaser may stand outside what the cells at its speed hold, at most"
    )


class ContactRecord(Record):
    """The verdict on tables or clamps."""

    clear: bool = Field(description="whether tables and everything between their cells keep both rules")
    accepted: bool = Field(description="the same under the rule between cells that the project chooses")
    cells: CountsRecord | None = Field(description="cells of tables; null for clamps")
    speeds: CountsRecord | None = Field(description="speeds of clamps; null for tables")
    closest: str | None = Field(description="the closest cell in words; null for clamps")
    neighbours: NeighboursRecord | None = Field(description="the looser rule; null where it was not chosen")
    box: BoxVerdictRecord = Field(description="all phases of the tables or clamps as one range")
    full_travel: FullTravelRecord = Field(description="the whole travel of the phasers")
    faults: tuple[FaultRecord, ...] = Field(description="what each fault of a phaser would do")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, verdict: Verdict | ClampVerdict) -> Self:
        """From the verdict on tables or clamps."""
        tables = verdict if isinstance(verdict, Verdict) else None
        judged = verdict.cells if isinstance(verdict, Verdict) else verdict.speeds
        counts = CountsRecord.of(judged["verdict"].to_numpy().ravel().tolist())
        return cls.model_validate(
            {
                "clear": verdict.clear,
                "accepted": verdict.accepted,
                "cells": counts if tables else None,
                "speeds": None if tables else counts,
                "closest": tables.worst if tables else None,
                "neighbours": tables.neighbours if tables else None,
                "box": verdict.box,
                "full_travel": verdict.full_travel,
                "faults": [FaultRecord.of(fault) for fault in verdict.faults],
                "not_covered": verdict.not_covered,
            }
        )


class AxesRecord(Record):
    """The axes of a grid of torque."""

    rpm: tuple[float, ...] = Field(description="engine speeds, rpm")
    load: tuple[float, ...] = Field(description="loads, kPa")
    icl: tuple[float, ...] = Field(description="intake centrelines, crank degrees ATDC")
    ecl: tuple[float, ...] = Field(description="exhaust centrelines, crank degrees BTDC")

    @classmethod
    def of(cls, grid: xr.Dataset) -> Self:
        """From a grid that has these dimensions."""
        return cls(**{name: grid[name].to_numpy().tolist() for name in cls.model_fields})
