"""What `phaseopt next` found."""

from typing import Self

from pydantic import Field

from phaseopt.job.next_step import Overview
from phaseopt.output.records.base import CommandRecord, Figure, Record
from phaseopt.output.records.mistakes import MistakeRecord


class StepRecord(Record):
    """A command, and what it still lacks; nothing where it can be run."""

    command: str = Field(description="its name")
    gives: str = Field(description="what it gives")
    lacks: tuple[MistakeRecord, ...] = Field(description="what has to be filled in or put right first")


class MeasureRecord(Record):
    """Something to measure next."""

    what: str = Field(description="what to measure")
    degrees: Figure = Field(description="crank degrees of safe travel that it would give")


class NextRecord(CommandRecord):
    """Where a project stands."""

    blanks: dict[str, int] = Field(description="blanks of each section, by its name")
    steps: tuple[StepRecord, ...] = Field(description="what can be run, and what cannot yet")
    measures: tuple[MeasureRecord, ...] = Field(description="what to measure next, the most travel first")

    @classmethod
    def of(cls, found: Overview) -> Self:
        """From where a project stands."""
        return cls(
            blanks=found.blanks,
            steps=tuple(
                StepRecord(command=step.command, gives=step.gives, lacks=tuple(map(MistakeRecord.of, step.lacks)))
                for step in found.steps
            ),
            measures=tuple(MeasureRecord(what=each.what, degrees=each.degrees) for each in found.measures),
        )
