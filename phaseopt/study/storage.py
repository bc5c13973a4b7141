"""Where the trials of a study are kept: SQLite beside the project, or any storage that Optuna takes by its URL.

A study is found again by its kind, the version of what its trials record, and a fingerprint of all that they were
computed from. So a run that was stopped goes on, several processes share one study, other inputs never mix with these,
and what another version recorded is refused.
"""

import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import optuna
from optuna.exceptions import ExperimentalWarning
from optuna.storages import RDBStorage
from sqlalchemy.exc import SQLAlchemyError

from phaseopt.io.cache import FOLDER
from phaseopt.values.errors import InputError

_log = logging.getLogger(__name__)

OPTION = "--storage"
HEARTBEAT, GRACE = 5, 30  # seconds between signs of life of a trial, and without one until it counts as cut off
WAIT = 60.0  # seconds that a process waits for another that writes to the same SQLite file


def open_study(
    kind: str,
    version: int,
    made_of: str,
    directions: Sequence[Literal["minimize", "maximize"]],
    folder: Path,
    url: str | None = None,
    *,
    watched: bool = False,
) -> optuna.Study:
    """The study of this kind, version and fingerprint: the one in the storage, or a new one.

    Parameters: `kind`, one word; `version`, to be raised whenever the same trial would be recorded otherwise;
    `made_of`, a fingerprint; `directions`, one for each objective; `folder` of the project, in
    whose .phaseopt/ the study is kept where no `url` is given; `watched`, whether trials that `Study.optimize` runs
    give signs of life, so that those of a killed process are known for cut off. Raises `InputError` where the storage
    cannot be opened or holds a study of this kind that another version wrote.
    """
    name = _name(kind, version, made_of)
    with _checked(kind, version, folder, url, watched) as storage:
        study = optuna.create_study(storage=storage, study_name=name, directions=directions, load_if_exists=True)
    if url is None:
        _log.info("trials kept in %s: %d of earlier runs", study_file(kind, folder), len(study.trials))
    return study


def cached_study(kind: str, version: int, made_of: str, folder: Path) -> optuna.Study | None:
    """The study of this kind, version and fingerprint that a project keeps beside itself; None where there is none."""
    if not study_file(kind, folder).is_file():
        return None
    try:
        with _checked(kind, version, folder, None, watched=False) as storage:
            found = optuna.load_study(storage=storage, study_name=_name(kind, version, made_of))
    except (InputError, KeyError):  # unreadable, of another version, or of other inputs
        return None
    _log.info("trials kept in %s", study_file(kind, folder))
    return found


def require_storage(kind: str, version: int, folder: Path, url: str | None = None) -> None:
    """Refuse, before any work, a storage that `open_study` would refuse after it."""
    with _checked(kind, version, folder, url, watched=False):
        pass


@contextmanager
def _checked(
    kind: str, version: int, folder: Path, url: str | None, watched: bool
) -> Iterator[optuna.storages.BaseStorage]:
    """The storage, free of what another version wrote; what fails in it is told as wrong input."""
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    file = study_file(kind, folder) if url is None else None
    try:
        if file is not None:
            file.parent.mkdir(exist_ok=True)
        storage = _storage(f"sqlite:///{file}" if url is None else url, watched)
        if any(_of_another_version(each, kind, version) for each in optuna.get_all_study_names(storage)):
            raise InputError.one(
                f"it holds a {kind} study that another version of phaseopt wrote",
                hint="move the file away" if file is not None else "name another storage",
                file=file,
                where=OPTION if file is None else "",
            )
        yield storage
    except InputError:
        raise
    except (SQLAlchemyError, optuna.exceptions.OptunaError, ImportError, OSError, RuntimeError, ValueError) as error:
        raise _unusable(file, error) from error


def study_file(kind: str, folder: Path) -> Path:
    """Where a project keeps its studies of a kind when no other storage is named."""
    return folder / FOLDER / f"{kind}.sqlite"


def _storage(url: str, watched: bool) -> optuna.storages.BaseStorage:
    """Two processes that make the same new file at the same time: the second finds its tables made, and opens it."""
    options = {"connect_args": {"timeout": WAIT}} if url.startswith("sqlite") else None
    beat, grace = (HEARTBEAT, GRACE) if watched else (None, None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExperimentalWarning)
        try:
            return RDBStorage(url, options, heartbeat_interval=beat, grace_period=grace)
        except SQLAlchemyError:
            return RDBStorage(url, options, heartbeat_interval=beat, grace_period=grace)


def _name(kind: str, version: int, made_of: str) -> str:
    """How a study is called in its storage.

    >>> _name("offsets", 2, "3f")
    'phaseopt offsets 2 3f'
    """
    return f"phaseopt {kind} {version} {made_of}"


def _of_another_version(name: str, kind: str, version: int) -> bool:
    """Whether a study is of this kind and another version.

    >>> [_of_another_version(n, "offsets", 2) for n in ("phaseopt offsets 1 3f", "phaseopt offsets 2 4a", "other")]
    [True, False, False]
    """
    return name.startswith(f"phaseopt {kind} ") and not name.startswith(f"phaseopt {kind} {version} ")


def _unusable(file: Path | None, error: Exception) -> InputError:
    """A storage that cannot be opened; a URL is not repeated, since it may hold a password."""
    return InputError.one(
        f"the storage of the study cannot be used ({type(error).__name__})",
        hint="make its folder writable, or name a storage with --storage sqlite:///FILE"
        if file is not None
        else "give a URL as sqlite:///FILE, or of a database that is running and whose driver is installed",
        file=file,
        where="" if file is not None else OPTION,
    )
