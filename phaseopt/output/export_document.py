"""What `phaseopt export` says: whether tables are clear in the layout, and how the files are to be read."""

from collections.abc import Sequence

from phaseopt.output.export_files import Export, layout_words
from phaseopt.report.cautions import BEFORE_LOADING, IN_SHORT, cautions
from phaseopt.report.document import Document, say
from phaseopt.report.subjects.check import check_notes, guard_lead, state_of, verdict_line, verdict_sections

_NAMED = 4  # changed files, more would bury the rest; --json has all


def export_document(found: Export, changed: Sequence[str]) -> Document:
    """Tables in a layout, as read back and judged; where they are not clear, all that `check` says of them.

    Parameters: `changed`, input files that changed since the build.
    """
    verdict, accepted = found.verdict, found.verdict.accepted
    nothing = () if accepted else ("In this layout the tables are not clear. Nothing was written.",)
    layout = layout_words(found.project, found.layout, found.moved, found.nearer)[1:-1]
    return Document(
        f"{found.project.name}: tables in another layout",
        verdict_line(verdict),
        state_of(verdict),
        lead=(*nothing, *guard_lead(verdict)),
        sections=(
            say("Layout", *layout),
            say("Inputs", *([_changed_words(changed)] if changed else [])),
            *(() if accepted else verdict_sections(verdict)),
        ),
        notes=() if accepted else check_notes(verdict),
        before=BEFORE_LOADING,
        cautions=cautions()[:2],  # the hand check and the zero: the others were printed with the build
        in_short=IN_SHORT[:2],
        not_covered=verdict.not_covered,
    )


def _changed_words(changed: Sequence[str]) -> str:
    """That a build's inputs are no longer what they were."""
    more = f" and {len(changed) - _NAMED} more" if len(changed) > _NAMED else ""
    return (
        f"Changed since the tables were built: {', '.join(changed[:_NAMED])}{more}. Contact is checked by the files as "
        "they are now. Torque in the build's report is by the files as they were."
    )
