"""What `phaseopt next` says: where a project stands, in one screen."""

from collections.abc import Iterator
from pathlib import Path

from phaseopt.job.next_step import Measure, Overview, Runnable
from phaseopt.report.document import Document, Lines, Section, in_shell, say

_SHOWN = 6  # blanks by name; the rest are counted


def next_document(found: Overview) -> Document:
    """What is blank, what can be run, what cannot yet and why, and what to measure."""
    ready = [step for step in found.steps if not step.lacks]
    waiting = [step for step in found.steps if step.lacks]
    file = found.file
    sections = []
    if waiting:
        sections.append(Section("To fill in first", (Lines(tuple(_lacking(waiting[0], file))),)))
    if found.blanks:
        counts = (f"{name or 'above the sections'} {count}" for name, count in found.blanks.items())
        sections.append(say("Blanks", f"{', '.join(counts)}."))
    if ready:
        lines = tuple(
            f"phaseopt {step.command} {in_shell(file)}{_OUT.get(step.command, '')}: {step.gives}" for step in ready
        )
        sections.append(Section("Can be run", (Lines(lines),)))
    if waiting:
        lines = tuple(f"{step.command} ({step.gives}): {len(step.lacks)} to fill in or put right" for step in waiting)
        sections.append(Section("Not yet", (Lines(lines),)))
    if found.limits is not None:
        sections.append(Section("Measure next", (Lines(tuple(_measures(found))),)))
    return Document("", _verdict(found, ready), sections=tuple(sections))


_OUT = {"build": " --out out", "reduce": " --out out", "simulate": " --out torque.nc"}


def _verdict(found: Overview, ready: list[Runnable]) -> str:
    name = found.project.name if found.project is not None else found.file.name
    if not ready:
        return f"{name}: not ready for contact limits yet."
    return f"{name}: ready for {ready[-1].command}."


def _lacking(step: Runnable, project: Path) -> Iterator[str]:
    """The first things that a command lacks, by their keys."""
    for mistake in step.lacks[:_SHOWN]:
        other = mistake.file.name if mistake.file and mistake.file != project else ""
        where = ": ".join(filter(None, (other, mistake.where)))
        if mistake.problem == "is blank":
            yield f"{where}: {mistake.hint.removeprefix('give ')}"
        else:
            yield f"{': '.join(filter(None, (where, mistake.problem)))}; {mistake.hint}"
    if len(step.lacks) > _SHOWN:
        yield f"and {len(step.lacks) - _SHOWN} more"


def measure_lines(measures: tuple[Measure, ...]) -> Iterator[str]:
    """What to measure next, the most travel first."""
    if not measures:
        yield "Nothing here would give half a degree more: cams are checked, or travel is the limit."
    for each in measures[:3]:
        yield f"{each.what[0].upper()}{each.what[1:]}: up to {each.degrees:.0f}° more travel."


def _measures(found: Overview) -> Iterator[str]:
    yield from measure_lines(found.measures)
    if found.project is not None and found.project.torque is not None:
        unit = found.project.display_units.torque.name
        yield f"On the dyno: phaseopt plan {in_shell(found.file)} --pulls 8 shows what each next pull may gain, {unit}."
