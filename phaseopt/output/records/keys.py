"""What `phaseopt keys` prints."""

from pydantic import Field

from phaseopt.output.records.base import CommandRecord


class KeysRecord(CommandRecord):
    """Sections of a project file, or the keys of one."""

    sections: tuple[str, ...] = Field(description="names of all sections")
    text: str = Field(description="the list of sections, or the keys of one as comments to paste")
