"""What all commands share: the application, how a command ends, and how it shows progress."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from phaseopt.errors import InputError
from phaseopt.output.json_text import json_text

NOT_CLEAR, WRONG_INPUT, INTERRUPTED = 1, 2, 130

app = typer.Typer(
    name="phaseopt",
    help="Cam-phase tables that make the most torque inside the contact limits of a twin-cam engine.",
    epilog="A model does not replace checking the assembled engine by hand, on every cylinder.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)

ProjectFile = Annotated[Path, typer.Argument(metavar="PROJECT.toml", help="The project file.", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object for machines instead of text.")]
Storage = Annotated[
    str | None,
    typer.Option(
        "--storage",
        metavar="URL",
        help="An Optuna storage of trials that several runs share, as sqlite:///FILE.  [default: SQLite in .phaseopt]",
        show_default=False,
    ),
]
Sheet = Annotated[
    Path | None, typer.Option("--sheet", metavar="F.html", help="Write a measuring sheet to print (A4 or Letter).")
]


@app.callback()
def _phaseopt() -> None:
    """Without this, an application of one command would have no command names."""


@contextmanager
def ending() -> Iterator[None]:
    """Turn wrong input into messages on standard error and exit code 2, and an interruption into 130."""
    try:
        yield
    except InputError as error:
        for mistake in error.mistakes:
            typer.echo(str(mistake), err=True)
        raise typer.Exit(WRONG_INPUT) from None
    except KeyboardInterrupt:
        typer.echo("interrupted; no result was written (finished parts of a simulation are kept)", err=True)
        raise typer.Exit(INTERRUPTED) from None


def print_json(found: dict[str, Any]) -> None:
    """One JSON object on standard output; a number that is not finite becomes null."""
    typer.echo(json_text(found))


class ProgressLine:
    """One line on standard error that tells how far the work is and about how long it still takes.

    Silent where standard error is not a terminal.
    """

    def __init__(self) -> None:
        self.started = time.monotonic()
        self.shown = sys.stderr.isatty()

    def __call__(self, fraction: float, text: str) -> None:
        """Show the share of the work done, 0 to 1, and what is going on."""
        if not self.shown:
            return
        spent = time.monotonic() - self.started
        left = f", about {spent * (1 - fraction) / fraction:.0f} s left" if fraction > 0.1 else ""
        done = round(24 * fraction)
        sys.stderr.write(f"\r\x1b[K[{'#' * done}{'.' * (24 - done)}] {fraction:4.0%} {text}{left}")
        sys.stderr.flush()

    def close(self) -> None:
        """Clear the line."""
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
