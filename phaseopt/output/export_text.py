"""What `phaseopt export` says of what it wrote."""

from collections.abc import Sequence
from pathlib import Path

from phaseopt.output.export_files import Export, layout_words
from phaseopt.project import Project
from phaseopt.report.document import Document
from phaseopt.report.subjects.check import check_notes, state_of, verdict_line, verdict_sections
from phaseopt.report.terminal import terminal_text
from phaseopt.report.text import wrapped_block
from phaseopt.report.words import moving
from phaseopt.values.errors import InputError


def require_one_way(project: Project, out: Path | None, paste: str | None) -> None:
    """Refuse an export that goes nowhere or two ways, or of a cam that has no table."""
    if (out is None) == (paste is None):
        raise InputError.one(
            "nothing says where the tables go" if out is None else "a directory and text to paste are both asked for",
            hint="give --out DIR for files, or --paste intake or --paste exhaust for text",
        )
    if paste is not None and paste not in moving(project):
        raise InputError.one(
            f"the {paste} cam has no table of its own", hint=f"--paste {moving(project)[0]}", where="--paste"
        )


def export_words(found: Export) -> str:
    """The verdict in a sentence."""
    return f"{found.project.name}: {verdict_line(found.verdict)}" + (
        "" if found.verdict.accepted else " Nothing was written."
    )


def export_text(found: Export, changed: Sequence[str], out: Path | None) -> str:
    """What was written and how it was judged."""
    blocks = [("Layout", layout_words(found.project, found.layout, found.moved, found.nearer)[1:])]
    if changed:
        blocks.append(("Inputs", [changed_words(changed)]))
    if found.verdict.accepted and out is not None:
        blocks.append(("Written", [f"{out}: {', '.join(name for name in found.files if name.endswith('.csv'))}"]))
    else:
        blocks.append(("Written", ["nothing: in this layout the tables are not clear"]))
    parts = [f"  {export_words(found)}", *("\n".join(wrapped_block(label, lines)) for label, lines in blocks)]
    if not found.verdict.accepted:
        sections, notes = verdict_sections(found.verdict), check_notes(found.verdict)
        parts.append(terminal_text(Document("", "", state_of(found.verdict), sections=sections, notes=notes)))
    return "\n\n".join(parts) + "\n"


def changed_words(changed: Sequence[str]) -> str:
    """That a build's inputs are no longer what they were."""
    return (
        f"changed since the tables were built: {', '.join(changed)}. Contact was checked by what they say now; the "
        "torque in the build's report is of what they said then"
    )
