"""The command line: one module a command, each a few lines over the library.

Heavy imports wait inside the commands, so that `--help` answers at once. Exit codes: 0 done and clear, 1 done and not
clear, 2 wrong input, 130 interrupted.
"""

import gc

from phaseopt.cli import (
    build,
    check,
    compare,
    confirm,
    export,
    fit,
    keys,
    limits,
    live,
    new,
    next,
    offsets,
    parts,
    plan,
    reduce,
    simulate,
    tradeoff,
)
from phaseopt.cli.frame import app

__all__ = [
    "app",
    "build",
    "check",
    "compare",
    "confirm",
    "export",
    "fit",
    "keys",
    "limits",
    "live",
    "new",
    "next",
    "offsets",
    "parts",
    "plan",
    "reduce",
    "simulate",
    "tradeoff",
]

# A command makes few objects that only a collection frees, and imports make many that none does: looking for them at
# the usual pace takes a seventh of `phaseopt limits`.
gc.set_threshold(1_000_000, 20, 20)
