"""What all commands share: the application, the options that each of them takes, and how it prints what it found.

A command is a function that returns an `Answer`; `command` makes it one, adds `--json`, `--quiet` and `--verbose`, and
turns wrong input into messages (or, under `--json`, into one object) and an exit code.
"""

import functools
import inspect
import json
import re
import shutil
import sys
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from phaseopt.cli.progress_line import ProgressLine, clear_first_words, first_words
from phaseopt.cli.verbose import began, ended
from phaseopt.cli.words import InJobOrder
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.output.records.base import CommandRecord, Record
    from phaseopt.project import Project
    from phaseopt.report.document import Depth, Document

WIDTH = 100  # columns
_FILES = 4  # of a directory, that are all named
NOT_CLEAR, WRONG_INPUT, INTERRUPTED = 1, 2, 130

app = typer.Typer(
    name="phaseopt",
    help="Cam-phase tables that make the most torque inside the contact limits of a twin-cam engine.",
    epilog="A model does not replace checking the assembled engine by hand, on every cylinder.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"max_content_width": WIDTH},
    rich_markup_mode=None,  # plain help: no frames, and [cycle] in a text stays
    cls=InJobOrder,
)

ProjectFile = Annotated[Path, typer.Argument(metavar="PROJECT.toml", help="The project file.", show_default=False)]
Storage = Annotated[
    str | None,
    typer.Option(
        "--storage",
        metavar="URL",
        help="An Optuna storage of trials that several runs share, as sqlite:///FILE.  [default: SQLite in .phaseopt]",
        show_default=False,
    ),
]
Changes = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help="Try another value of a key, as intake.offset=-10; may be given again. Nothing is written.",
        show_default=False,
    ),
]
SheetFile = Annotated[
    Path | None, typer.Option("--sheet", metavar="F.html", help="Write a measuring sheet to print (A4 or Letter).")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object for machines instead of text.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print only the verdict and what was written.")]
Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Print details, versions, kept files and times too.")]


@dataclass(frozen=True)
class Answer:
    """What a command found.

    `document` is what a person reads (`--quiet`: its verdict alone, and what was written), `record` makes what
    `--json` prints; `written` are the files or directories that were written; `clear` decides the exit code; `plain`
    is text printed in place of the document, such as cells to paste.
    """

    document: "Document"
    record: "Callable[[], CommandRecord]"
    written: Sequence[Path] = ()
    clear: bool = True
    plain: str = ""


@dataclass(frozen=True)
class Manner:
    """How a person or a machine wants to read the answer, and from what command."""

    command: str = ""
    json: bool = False
    quiet: bool = False
    verbose: bool = False


_PLAIN = Manner()
_manner: ContextVar[Manner] = ContextVar("manner", default=_PLAIN)


def manner() -> Manner:
    """How the command that runs is to print what it finds."""
    return _manner.get()


def depth() -> "Depth":
    """How much of a document the command that runs is to print."""
    from phaseopt.report.document import Depth

    return Depth.DETAIL if manner().verbose else Depth.ANSWER


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"phaseopt {version('phaseopt')}")
        raise typer.Exit


@app.callback()
def _phaseopt(
    quiet: Quiet = False,
    verbose: Verbose = False,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    _manner.set(Manner(quiet=quiet, verbose=verbose))


def command(function: Callable[..., Answer]) -> Callable[..., None]:
    """Make a function a command of its name, with the options that all commands share."""
    own = inspect.signature(function, eval_str=True)
    shared = {"json": Json, "quiet": Quiet, "verbose": Verbose}

    @functools.wraps(function)
    def run(**given: Any) -> None:
        above = manner()
        asked = {name: bool(given.pop(name)) or getattr(above, name) for name in shared}
        restore = _manner.set(Manner(function.__name__, **asked))
        try:
            with ending():
                found = _run(function, given)
                _print(found)
                if not found.clear:
                    raise typer.Exit(NOT_CLEAR)
        finally:
            _manner.reset(restore)

    del run.__wrapped__  # or its parameters would be looked for there
    run.__annotations__ = {name: each.annotation for name, each in own.parameters.items()} | shared
    run.__signature__ = own.replace(  # type: ignore[attr-defined]
        parameters=[
            *(each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in own.parameters.values()),
            *(
                inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=False, annotation=annotation)
                for name, annotation in shared.items()
            ),
        ],
        return_annotation=None,
    )
    app.command(function.__name__)(run)
    return run


def _run(function: Callable[..., Answer], given: dict[str, Any]) -> Answer:
    """Run a command, which says at once that it has begun; those that ask or list say nothing."""
    asked = manner()
    if asked.quiet or asked.json or asked.verbose or asked.command in ("new", "keys"):
        return function(**given)
    first_words(f"phaseopt {asked.command} ...")
    try:
        return function(**given)
    finally:
        clear_first_words()


@contextmanager
def ending() -> Iterator[None]:
    """Turn wrong input into messages on standard error and exit code 2, and an interruption into 130.

    Under `--json` the mistakes are one object on standard output instead. Under `--verbose` versions, kept files and
    times go to standard error.
    """
    asked = manner()
    started = time.monotonic()
    if asked.verbose:
        began()
    try:
        yield
    except InputError as error:
        if asked.json:
            from phaseopt.output.records.mistakes import MistakesRecord

            print_json(MistakesRecord.of(error))
        else:
            typer.echo("\n".join(error.messages), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    except KeyboardInterrupt:
        typer.echo(
            "stopped; no result was written (finished parts of a simulation, and finished trials, are kept)", err=True
        )
        raise typer.Exit(INTERRUPTED) from None
    finally:
        if asked.verbose:
            ended(time.monotonic() - started)


@contextmanager
def progress_line() -> Iterator[ProgressLine]:
    """The progress line of a command, which `--quiet` keeps silent; under `--verbose` with what each stage took."""
    with ProgressLine(visible=not manner().quiet) as line:
        yield line
    if manner().verbose:
        for stage, seconds in line.stages.items():
            typer.echo(f"{seconds:8.1f} s  {stage}", err=True)


def require_nothing_written(**options: object) -> None:
    """Refuse places to write to beside --set: files must come from the project file as it is."""
    for name, given in options.items():
        if given is not None:
            hint = f"run it without --{name}; or change the file, and run it without --set"
            raise InputError.one(f"--{name} does not go with --set", hint=hint, where=f"--{name}")


def project_without(project_file: Path, without: Collection[str], changes: Sequence[str] | None = None) -> "Project":
    """A project for a command that needs no more than a part of it; a line says what is still blank."""
    from phaseopt.project.load import load_project, open_blanks

    project = load_project(project_file, without=without)
    if changes:
        from phaseopt.study.offset_range import refitted

        project = refitted(project, load_project(project_file, without=without, changes=changes))
    if not (manner().quiet or manner().json):
        left = {section: count for section, count in open_blanks(project_file).items() if count}
        if left:
            counts = (
                f"{f'[{section}]' if section else 'above the sections'} {count}" for section, count in left.items()
            )
            clear_first_words()
            typer.echo(f"Still blank, for other commands: {', '.join(counts)}.", err=True)
    return project


def _print(found: Answer) -> None:
    if manner().json:
        print_json(found.record().model_copy(update={"written": tuple(map(str, found.written))}))
    elif found.plain:
        typer.echo(found.plain)
    else:
        _print_document(found)


def _print_document(found: Answer) -> None:
    """A document on standard output: all of it, or its verdict alone."""
    from phaseopt.report.document import Document
    from phaseopt.report.terminal import in_colour, terminal_text

    if manner().quiet:
        document = Document("", found.document.verdict, found.document.state, lead=found.document.lead)
    else:
        document = replace(found.document, written=tuple(map(_written_text, found.written)))
    width = min(WIDTH, shutil.get_terminal_size().columns) if sys.stdout.isatty() else WIDTH
    sys.stdout.flush()
    typer.echo(terminal_text(document, depth(), colour=in_colour(), width=width), nl=False)
    if manner().quiet and found.written:
        typer.echo(f"Written: {', '.join(map(str, found.written))}")


def _written_text(path: Path) -> str:
    """A place that was written, with the files in it, pages first; of many the pages alone, under `--verbose` all."""
    if not path.is_dir():
        return str(path)
    names = sorted(each.name for each in path.iterdir() if not each.name.endswith("-metadata.json"))
    pages = sorted((name for name in names if name.endswith(".html")), reverse=True)  # the report first
    others = [name for name in names if name not in pages]
    if pages and len(names) > _FILES and not manner().verbose:
        return f"{path}: {', '.join(pages)} and {len(others)} more files"
    return f"{path}: {', '.join([*pages, *others])}"


def print_json(record: "Record") -> None:
    """One JSON object on standard output."""
    text = record.model_dump_json(indent=2)
    if (sys.stdout.encoding or "").lower().replace("-", "") != "utf8":  # a pipe on Windows
        text = re.sub(r"[^\x00-\x7f]", lambda sign: json.dumps(sign[0])[1:-1], text)
    typer.echo(text)
