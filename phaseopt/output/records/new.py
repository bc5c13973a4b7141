"""What `phaseopt new` wrote."""

from pydantic import Field

from phaseopt.output.records.base import CommandRecord


class NewRecord(CommandRecord):
    """A new project: `written` is its directory."""

    files: tuple[str, ...] = Field(description="names of the files in the directory that was written")
