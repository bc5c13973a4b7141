"""What `phaseopt check` found."""

from collections.abc import Mapping, Sequence
from typing import Literal, Self

from pydantic import Field

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.nearest import NearestTables
from phaseopt.clearance.ways_back import ways_back
from phaseopt.output.records.base import CommandRecord, Known, Record
from phaseopt.output.records.pieces import ContactRecord, ContactVerdict
from phaseopt.project import Side
from phaseopt.report.subjects.check import check_notes


class ReadAsRecord(Record):
    """How each file was read, in sentences; empty for a cam that stands still."""

    intake: tuple[str, ...] = Field((), description="intake cam")
    exhaust: tuple[str, ...] = Field((), description="exhaust cam")


class WayBackRecord(Record):
    """How far one cell that is not clear must go to be clear by itself; phases in crank degrees, + = advanced."""

    rpm: float = Field(description="the cell's engine speed, rpm")
    load: float = Field(description="the cell's load, kPa")
    intake: float = Field(description="its intake phase")
    exhaust: float = Field(description="its exhaust phase")
    verdict: ContactVerdict | Literal["outside travel"] = Field(description="its verdict")
    intake_alone: Known = Field(description="nearest clear intake phase, the exhaust as it is; null where none is")
    exhaust_alone: Known = Field(description="nearest clear exhaust phase, the intake as it is; null where none is")
    both: tuple[float, float] | None = Field(
        description="nearest clear intake and exhaust phase where both move; null where none are"
    )


class MoveRecord(Record):
    """A cell that moved; phases in crank degrees, + = advanced."""

    rpm: float = Field(description="its engine speed, rpm")
    load: float = Field(description="its load, kPa")
    intake: float = Field(description="its intake phase before")
    exhaust: float = Field(description="its exhaust phase before")
    intake_to: float = Field(description="its intake phase now")
    exhaust_to: float = Field(description="its exhaust phase now")


class NearestRecord(Record):
    """The nearest clear tables: the greatest move is least, then the sum of moves."""

    moved: tuple[MoveRecord, ...] = Field(description="cells that moved, rounding to the phasers' steps included")
    largest: float = Field(description="greatest move of a phase, crank degrees")
    total: float = Field(description="sum of all moves, crank degrees")
    clear: bool = Field(description="whether they are clear in any combination")
    accepted: bool = Field(description="the same under the rule between cells that the project chooses")

    @classmethod
    def of(cls, found: NearestTables) -> Self:
        """From the tables found, as judged."""
        return cls(
            moved=tuple(MoveRecord.model_validate(move) for move in found.moved),
            largest=found.largest,
            total=found.total,
            clear=found.verdict.clear,
            accepted=found.verdict.accepted,
        )


class CheckRecord(CommandRecord):
    """A pair of tables, or of clamps, against the contact limits."""

    verdict: ContactRecord = Field(description="the verdict")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")
    read_as: ReadAsRecord = Field(description="how each file was read")
    ways_back: tuple[WayBackRecord, ...] = Field(description="how far each cell that is not clear must go; of tables")
    nearest: NearestRecord | None = Field(
        description="the tables written with --nearest; null where none were asked for or nothing had to move"
    )

    @classmethod
    def of(
        cls,
        verdict: Verdict | ClampVerdict,
        read_as: Mapping[Side, Sequence[str]],
        nearest: NearestTables | None = None,
    ) -> Self:
        """From the verdict, how the files were read, and the nearest clear tables where they were asked for."""
        ways = ways_back(verdict) if isinstance(verdict, Verdict) else ()
        return cls(
            verdict=ContactRecord.of(verdict),
            notes=check_notes(verdict),
            read_as=ReadAsRecord.model_validate(dict(read_as)),
            ways_back=tuple(WayBackRecord.model_validate(way) for way in ways),
            nearest=None if nearest is None else NearestRecord.of(nearest),
        )
