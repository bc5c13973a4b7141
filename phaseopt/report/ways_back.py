"""What is said of cells that are not clear: how far to go back, and the nearest clear tables."""

from collections.abc import Sequence
from pathlib import Path

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.nearest import NearestTables
from phaseopt.clearance.ways_back import WayBack, moves_of, ways_back
from phaseopt.project import Project
from phaseopt.report.document import Depth, Lines, Section, say, table
from phaseopt.report.words import moving, phase_text
from phaseopt.tables import load_unit_of

_WRITES = "`phaseopt check --nearest DIR` writes the nearest tables that are clear as a whole."
_LISTED = 12  # cells that moved, more would bury the rest; --json has all


def ways_back_sections(verdict: Verdict) -> tuple[Section, ...]:
    """How far back cells must go, in a line for each way; on pages and with --verbose cell by cell."""
    title, found = "How far back", ways_back(verdict)
    if verdict.accepted:
        return ()
    if not found:
        return (say(title, f"Every cell is clear by itself, but not with what lies between them. {_WRITES}"),)
    names, lines, rows = _ways(verdict.contact.project), [], []
    for name in names:
        moves = [move for way in found for each, move in moves_of(way) if each == name and move is not None]
        most = f"{len(moves)} of {_cells(len(found))}, {max(moves):g}° at most" if moves else "none"
        lines.append(f"Moving {name} clears {most}.")
    lines.append(f"Each cell by itself. {_WRITES}")
    for way in found:
        now = phase_text(way.intake), phase_text(way.exhaust)
        rows.append((f"{way.rpm:.0f}", f"{way.load:g}", *now, *_to(way, names)))
    unit = load_unit_of(verdict.cells) or "load"
    each = table("Nearest clear phases of each cell", ("rpm", unit, "intake", "exhaust", *names), rows)
    return say(title, *lines), Section(f"{title}, cell by cell", (each,), Depth.DETAIL)


def nearest_section(found: NearestTables | None, directory: Path) -> Section:
    """What the nearest clear tables move; None where nothing has to."""
    title = "Nearest clear tables"
    if found is None:
        return say(title, "Nothing to do: the tables are clear. Nothing was written.")
    sides = moving(found.verdict.contact.project)
    options = " ".join(f"--{side} {directory / f'{side}_phase.csv'}" for side in sides)
    rule = "in any combination" if found.verdict.clear else "by the looser rule of neighbouring cells"
    lines = (
        f"{_cells(len(found.moved))} moved, {found.largest:g}° at most, {found.total:g}° in all.",
        f"The tables written are CLEAR {rule}.",
        f"Check them again: {options}",
    )
    rows = []
    for move in found.moved[:_LISTED]:
        each = (_moved(getattr(move, side), getattr(move, f"{side}_to")) for side in sides)
        rows.append((f"{move.rpm:.0f}", f"{move.load:g}", *each))
    more = len(found.moved) - len(rows)
    caption = "Cells that moved" + (f"; {more} more are not listed" if more else "")
    unit = found.tables.load_unit or "load"
    return Section(title, (Lines(lines), table(caption, ("rpm", unit, *sides), rows)))


def _ways(project: Project) -> tuple[str, ...]:
    """The ways that an engine has: of tied cams both, of one phaser its own cam."""
    if project.arrangement == "together":
        return ("both cams",)
    alone = tuple(f"{side} alone" for side in moving(project))
    return (*alone, "both cams") if len(alone) == 2 else alone


def _to(way: WayBack, names: Sequence[str]) -> list[str]:
    """Where each way leads; a dash where it leads nowhere."""
    each = {
        "intake alone": "-" if way.intake_alone is None else phase_text(way.intake_alone),
        "exhaust alone": "-" if way.exhaust_alone is None else phase_text(way.exhaust_alone),
        "both cams": "-" if way.both is None else ", ".join(map(phase_text, way.both)),
    }
    return [each[name] for name in names]


def _moved(before: float, after: float) -> str:
    return phase_text(after) if before == after else f"{phase_text(before)} to {phase_text(after)}"


def _cells(count: int) -> str:
    return f"{count} cell" if count == 1 else f"{count} cells"
