"""The order in which commands are listed, and how the command line's own mistakes are told."""

import re
from typing import Any

import typer
from typer.core import TyperGroup

from phaseopt.values.errors import InputError, Mistake

_JOB = (
    "new", "limits", "simulate", "plan", "reduce", "fit", "build", "check", "export", "compare", "confirm", "tradeoff",
    "offsets",
)  # fmt: skip

# What is wrong with the options of a command: typer exports only this kind of it.
_USAGE: type[Any] = typer.BadParameter.__mro__[1]
# How the checker of options speaks, and how a person does.
_PLAIN = (
    (re.compile(r"Input should be greater than or equal to (\S+)"), r"must be \1 or more"),
    (re.compile(r"Input should be less than or equal to (\S+)"), r"must be \1 or less"),
    (re.compile(r"Input should be a valid integer.*"), "must be a whole number"),
    (re.compile(r"Input should be a valid number.*"), "must be a number"),
    (re.compile(r"Value error, "), ""),
)
_MEANT = re.compile(r"\.? (?:Did you mean (.*)\?|\(Possible options: (.*)\)|\(did you mean (.*)\?\))$")


class InJobOrder(TyperGroup):
    """Commands in the order in which a job needs them, whose options are told wrong as everything else is."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command named; wrong options end as wrong input does, exit code 2, under `--json` as an object."""
        named, as_json = ctx.command_path, "--json" in ctx.args
        try:
            return super().invoke(ctx)
        except _USAGE as error:
            about = error.ctx.command_path if error.ctx is not None else named
            mistake = _mistake(error, about)
            if as_json:
                from phaseopt.output.records.mistakes import MistakesRecord

                typer.echo(MistakesRecord.of(InputError([mistake])).model_dump_json(indent=2))
            else:
                typer.echo(str(mistake), err=True)
            raise typer.Exit(2) from None

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: _JOB.index(name) if name in _JOB else len(_JOB))


def _mistake(error: Any, about: str) -> Mistake:
    """What typer says of wrong options, in the words of all other mistakes."""
    text = " ".join(str(error.format_message()).split()).rstrip(".")
    for pattern, plain in _PLAIN:
        text = pattern.sub(plain, text)
    hint, meant = f"see {about} --help", _MEANT.search(text)
    if meant is not None:
        hint = f"did you mean {next(filter(None, meant.groups()))}?"
    elif text.startswith("Missing") and getattr(error.param, "help", None):
        hint = f"give it: {error.param.help}"
    problem = _MEANT.sub("", text)
    return Mistake(f"{problem[:1].lower()}{problem[1:]}", hint, where=about)
