"""The order in which commands are listed, and how the command line's own mistakes are told."""

from typing import Any

from typer.core import TyperGroup

from phaseopt.errors import InputError

_JOB = (
    "new", "limits", "simulate", "plan", "reduce", "fit", "build", "check", "export", "compare", "confirm", "tradeoff",
    "offsets",
)  # fmt: skip


class InJobOrder(TyperGroup):
    """Commands in the order in which a job needs them, and whatever else there is after them."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: _JOB.index(name) if name in _JOB else len(_JOB))


def mistakes_as_dict(error: InputError) -> dict[str, Any]:
    """What was wrong, for a machine: file, place in it, problem and mend of each mistake."""
    return {
        "mistakes": [
            {
                "file": None if mistake.file is None else str(mistake.file),
                "where": mistake.where or None,
                "problem": mistake.problem,
                "mend": mistake.mend,
            }
            for mistake in error.mistakes
        ]
    }
