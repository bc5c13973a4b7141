"""What any command prints where its input is wrong."""

from typing import Self

from pydantic import Field

from phaseopt.output.records.base import Record
from phaseopt.values.errors import LONGEST, InputError, Mistake, shortened_text


class MistakeRecord(Record):
    """One thing to fix."""

    file: str | None = Field(description="the file; null where none is to blame")
    where: str | None = Field(description="key or line in it, or option; null where none is")
    problem: str = Field(description="what is wrong")
    hint: str = Field(description="how to fix it")

    @classmethod
    def of(cls, mistake: Mistake) -> Self:
        """From one mistake."""
        file = None if mistake.file is None else str(mistake.file)
        return cls(
            file=file,
            where=mistake.where or None,
            problem=shortened_text(mistake.problem, LONGEST),
            hint=shortened_text(mistake.hint, LONGEST),
        )


class MistakesRecord(Record):
    """What any command prints instead where its input is wrong; nothing was written then."""

    mistakes: tuple[MistakeRecord, ...] = Field(description="everything found wrong")

    @classmethod
    def of(cls, error: InputError) -> Self:
        """From the error that ended a command."""
        return cls(mistakes=tuple(map(MistakeRecord.of, error.mistakes)))
