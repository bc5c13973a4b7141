"""What `phaseopt new` says: what was written, and what to do with it."""

from pathlib import Path

from phaseopt.report.document import Document, Lines, Section, Snippet, in_shell


def blank_document(directory: Path) -> Document:
    """A project to fill in."""
    steps = Lines(
        (
            "Print measuring_sheet.html and take it to the engine.",
            'Fill in project.toml and the CSV files. "?" marks each blank.',
            "Then run phaseopt next. It shows what is still blank and what you can do already.",
        ),
        style="steps",
    )
    run = Snippet(f"  phaseopt next {in_shell(directory / 'project.toml')}")
    return Document("", "A project to fill in.", sections=(Section("Next", (steps, run)),))


def example_document(directory: Path, count: int) -> Document:
    """The example, of `count` files."""
    project = in_shell(directory / "project.toml")
    run = Snippet(f"  phaseopt limits {project}\n  phaseopt build {project} --out {in_shell(directory / 'out')}")
    first = Lines(("The first build simulates the engine, which takes minutes. Later builds reuse that.",))
    return Document(
        "",
        f"An invented hill-climb car: {count} files, ready to build.",
        lead=("Copy nothing in it to a real engine.",),
        sections=(Section("Next", (first, run)),),
    )
