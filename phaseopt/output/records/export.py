"""What `phaseopt export` wrote."""

from collections.abc import Sequence
from typing import Self

from pydantic import Field

from phaseopt.output.export_files import Export, layout_words
from phaseopt.output.records.base import CommandRecord
from phaseopt.output.records.pieces import ContactRecord


class ExportRecord(CommandRecord):
    """A build's tables in another layout; nothing is written where they are not clear in it."""

    files: tuple[str, ...] = Field(description="names of the files in the layout")
    layout: tuple[str, ...] = Field(description="the layout, in sentences")
    moved_deg: float = Field(description="most that rounding moved a cell, crank degrees")
    nearer_deg: float = Field(description="most that it moved one towards contact, crank degrees")
    changed_inputs: tuple[str, ...] = Field(description="input files that changed since the build")
    verdict: ContactRecord = Field(description="the verdict on the tables as read back")

    @classmethod
    def of(cls, found: Export, changed: Sequence[str]) -> Self:
        """From an export; `changed` inputs since the build."""
        return cls(
            files=tuple(sorted(found.files)),
            layout=tuple(layout_words(found.project, found.layout, found.moved, found.nearer)[1:]),
            moved_deg=found.moved,
            nearer_deg=found.nearer,
            changed_inputs=tuple(changed),
            verdict=ContactRecord.of(found.verdict),
        )
