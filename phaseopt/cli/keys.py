"""`phaseopt keys`: what a project file can say."""

from typing import Annotated

import typer

from phaseopt.cli.frame import WIDTH, Answer, command
from phaseopt.values.errors import InputError

SectionName = Annotated[
    str | None, typer.Argument(metavar="[SECTION]", help="A section, as gap.running; none lists all of them.")
]
Inch = Annotated[bool, typer.Option("--inch", help="For a project in inches.")]


@command
def keys(section: SectionName = None, inch: Inch = False) -> Answer:
    """What a project file can say.

    Its sections, or every key of one with its default, to paste.
    """
    from difflib import get_close_matches
    from itertools import groupby
    from textwrap import fill

    from phaseopt.output.records.keys import KeysRecord
    from phaseopt.project.blank import section_names, section_text
    from phaseopt.report.document import Document

    names = section_names()
    if section is None:
        head = "Sections of a project file; `phaseopt keys SECTION` has the keys of one:"
        parts = [list(found) for _, found in groupby(names, key=lambda name: name.partition(".")[0])]
        lines = [fill(", ".join(found), WIDTH, subsequent_indent="  ", break_on_hyphens=False) for found in parts]
        text = "\n".join((head, *lines))
    elif section in names:
        text = section_text(section, "inch" if inch else "metric")
    else:
        near = get_close_matches(section, names, n=1)
        hint = f"did you mean {near[0]}?" if near else "`phaseopt keys` lists the sections"
        raise InputError.one(f"no such section {section!r}", hint=hint, where="phaseopt keys")
    return Answer(Document("", ""), lambda: KeysRecord(sections=names, text=text), plain=text)
