"""Which version of the simulation made a number."""

from functools import cache
from pathlib import Path

from phaseopt.io.digest import sources_digest


@cache
def code_version() -> str:
    """Digest of the simulation's own source files, and of the libraries that turn them into numbers."""
    return sources_digest(Path(__file__).parent)
