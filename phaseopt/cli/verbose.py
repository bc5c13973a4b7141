"""What `--verbose` adds, all of it on standard error: versions, kept files that were used, and how long it took."""

import logging
import platform
import sys

_VERSIONS_OF = ("phaseopt", "numpy", "scipy", "numba", "xarray")


def began() -> None:
    """Tell versions, and from here on what the package logs, such as kept files that it uses again."""
    from importlib.metadata import version

    logger = logging.getLogger("phaseopt")
    logger.handlers = [handler := logging.StreamHandler(sys.stderr)]
    handler.setFormatter(logging.Formatter("%(message)s"))
    logger.setLevel(logging.INFO)
    versions = [f"{name} {version(name)}" for name in _VERSIONS_OF]
    logger.info("%s", ", ".join([*versions, f"Python {platform.python_version()}"]))


def ended(seconds: float) -> None:
    """Tell how long a command took in all."""
    logger = logging.getLogger("phaseopt")
    logger.info("%8.1f s  in all", seconds)
    logger.handlers = []
    logger.setLevel(logging.NOTSET)
