"""The order in which commands are listed, and how mistakes on the command line itself are reported."""

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from difflib import get_close_matches
from typing import Any

import typer
from typer.core import TyperGroup

from phaseopt.values.errors import InputError, Mistake

_JOB = (
    "new", "keys", "next", "limits", "simulate", "plan", "reduce", "fit", "build", "check", "export", "compare",
    "confirm", "tradeoff", "offsets", "parts", "live",
)  # fmt: skip

# What pydantic, which checks options for typer, calls a mistake, and what a person calls it.
_PLAIN = {
    "greater_than_equal": "must be {ge} or more",
    "less_than_equal": "must be {le} or less",
    "int_parsing": "must be a whole number",
    "float_parsing": "must be a number",
    "value_error": "{error}",
}


class InJobOrder(TyperGroup):
    """Commands in the order in which a job needs them, whose options are refused as everything else is."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the options in front of the command."""
        with _refusals(ctx, args) if args else nullcontext():
            return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command named."""
        with _refusals(ctx, ctx.args):
            return super().invoke(ctx)

    def resolve_command(self, ctx: Any, args: list[str]) -> tuple[str | None, Any, list[str]]:
        """Find the command named; of a name that is none, say which may be meant."""
        if not ctx.resilient_parsing and self.get_command(ctx, args[0]) is None:
            near = get_close_matches(args[0], self.commands)
            hint = f"did you mean {' or '.join(map(repr, near))}?" if near else f"see {ctx.command_path} --help"
            raise InputError.one(f"no such command {args[0]!r}", hint=hint, where=ctx.command_path)
        return super().resolve_command(ctx, args)

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: _JOB.index(name) if name in _JOB else len(_JOB))


@contextmanager
def _refusals(ctx: Any, args: list[str]) -> Iterator[None]:
    """End wrong options as wrong input ends: a message and exit code 2, under `--json` an object."""
    as_json = "--json" in args
    try:
        yield
    except InputError as error:
        refused = error
    except typer.TyperException as error:
        named = f" {ctx.invoked_subcommand}" if ctx.invoked_subcommand else ""
        refused = InputError([_mistake(error, f"{ctx.command_path}{named}")])
    else:
        return
    if as_json:
        from phaseopt.output.records.mistakes import MistakesRecord

        typer.echo(MistakesRecord.of(refused).model_dump_json(indent=2))
    else:
        typer.echo("\n".join(refused.messages), err=True)
    raise typer.Exit(2)


def _mistake(error: Any, about: str) -> Mistake:
    """What is wrong with an option, from the facts that typer gives: its classes for them are its own affair."""
    param, near = (getattr(error, name, None) for name in ("param", "possibilities"))
    hint = f"did you mean {', '.join(sorted(near))}?" if near else f"see {about} --help"
    if param is None:
        problem = error.message.rstrip(".")
    elif hasattr(error, "param_type"):  # of a parameter that is missing
        problem = f"missing {param.param_type_name} {param.get_error_hint()}"
        hint = f"add it: {param.help[:1].lower()}{param.help[1:]}" if param.help else hint
    else:
        problem = f"invalid value for {param.get_error_hint()}: {_reason(error)}"
    return Mistake(f"{problem[:1].lower()}{problem[1:]}", hint, where=about)


def _reason(error: Any) -> str:
    """Why a value was refused."""
    if (why := getattr(error.__cause__, "errors", None)) is None:
        return str(error.message).rstrip(".")
    first = why()[0]
    plain = _PLAIN.get(first["type"])
    return str(first["msg"] if plain is None else plain.format(**first.get("ctx", {}))).rstrip(".")
