"""What `phaseopt check` found."""

from collections.abc import Mapping, Sequence
from typing import Self

from pydantic import Field

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.output.records.base import CommandRecord, Record
from phaseopt.output.records.pieces import ContactRecord
from phaseopt.project import Side
from phaseopt.report.subjects.check import check_notes


class ReadAsRecord(Record):
    """How each file was read, in sentences; empty for a cam that stands still."""

    intake: tuple[str, ...] = Field((), description="intake cam")
    exhaust: tuple[str, ...] = Field((), description="exhaust cam")


class CheckRecord(CommandRecord):
    """A pair of tables, or of clamps, against the contact limits."""

    verdict: ContactRecord = Field(description="the verdict")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")
    read_as: ReadAsRecord = Field(description="how each file was read")

    @classmethod
    def of(cls, verdict: Verdict | ClampVerdict, read_as: Mapping[Side, Sequence[str]]) -> Self:
        """From the verdict, and how the files were read."""
        return cls(
            verdict=ContactRecord.of(verdict),
            notes=check_notes(verdict),
            read_as=ReadAsRecord.model_validate(dict(read_as)),
        )
