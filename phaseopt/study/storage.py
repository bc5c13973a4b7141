"""Where the trials of a study are kept: SQLite beside the project, or any storage that Optuna takes by its URL.

A study is found again by its kind, the version of what its trials record, and a fingerprint of all that they were
computed from. So a run that was stopped goes on, several processes share one study, other inputs never mix with these,
and what another version recorded is refused.

Each trial carries a digest of what it was asked and what came of it (`seal`), each study its own name. A file beside
the project in which any of that does not hold, or that is no such file at all, is set aside and begun anew; a storage
that the user named is refused.
"""

import hashlib
import json
import logging
import sqlite3
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Literal, TypeVar

import optuna
from optuna.exceptions import ExperimentalWarning
from optuna.storages import BaseStorage, RDBStorage
from optuna.trial import FrozenTrial, TrialState
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from phaseopt.io.atomic import locked
from phaseopt.io.cache import FOLDER, DamagedError, set_aside
from phaseopt.values.errors import InputError

_log = logging.getLogger(__name__)

T = TypeVar("T")
Aim = Literal["minimize", "maximize"]

OPTION = "--storage"
HEARTBEAT, GRACE = 5, 30  # seconds between signs of life of a trial, and without one until it counts as cut off
WAIT = 60.0  # seconds that a process waits for another that writes to the same SQLite file
_OURS = "phaseopt "  # how names of studies begin
_SEAL, _NAME = "sha256", "name"  # attributes of a trial and of a study
# What SQLite calls errors of the machine, not of the file (its list of result codes).
_MACHINE = ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_READONLY", "SQLITE_FULL", "SQLITE_IOERR", "SQLITE_CANTOPEN")


def open_study(
    kind: str,
    version: int,
    made_of: str,
    directions: Sequence[Aim],
    folder: Path,
    url: str | None = None,
    *,
    watched: bool = False,
) -> optuna.Study:
    """The study of this kind, version and fingerprint: the one in the storage, or a new one.

    Parameters
    ----------
    kind
        One word.
    version
        To be raised whenever the same trial would be recorded otherwise.
    made_of
        A fingerprint.
    directions
        One for each objective.
    folder
        Of the project, in whose .phaseopt/ the study is kept where no `url` is given.
    url
        Of another storage.
    watched
        Whether trials that `Study.optimize` runs give signs of life, so that those of a killed process are known for
        cut off.

    Raises
    ------
    InputError
        The storage cannot be opened, holds a study of this kind that another version wrote, or, where it has a `url`,
        is damaged.
    """

    def opened(storage: BaseStorage) -> optuna.Study:
        name = _name(kind, version, made_of)
        study = optuna.create_study(storage=storage, study_name=name, directions=directions, load_if_exists=True)
        if not study.user_attrs:
            study.set_user_attr(_NAME, name)
        if [each.name.lower() for each in study.directions] != list(directions):
            raise DamagedError("a study strives for something else")
        if watched:
            fail_cut_off(study)
        _require_sound(study)
        return study

    study = _of_storage(kind, version, folder, url, opened, watched)
    if url is None:
        _log.info("trials kept in %s: %d of earlier runs", study_file(kind, folder), len(study.trials))
    return study


def cached_study(kind: str, version: int, made_of: str, folder: Path) -> optuna.Study | None:
    """The study of this kind, version and fingerprint that a project keeps beside itself; None where there is none."""
    name = _name(kind, version, made_of)

    def loaded(storage: BaseStorage) -> optuna.Study | None:
        if name not in optuna.get_all_study_names(storage):
            return None
        study = optuna.load_study(storage=storage, study_name=name)
        _require_sound(study)
        return study

    if not study_file(kind, folder).is_file():
        return None
    try:
        found = _of_storage(kind, version, folder, None, loaded)
    except InputError:  # unreadable, or of another version
        return None
    if found is not None:
        _log.info("trials kept in %s", study_file(kind, folder))
    return found


def require_storage(kind: str, version: int, folder: Path, url: str | None = None) -> None:
    """Refuse, before any work, a storage that `open_study` would refuse after it."""
    _of_storage(kind, version, folder, url, lambda storage: None)


def seal(trial: optuna.Trial, values: Sequence[float] | None) -> None:
    """Give a trial the digest of what it was asked and what came of it, just before it ends with these values.

    None for a trial that fails for a reason of its own. What is changed later by anything but a program is noticed.
    """
    digest = _digest([trial.number, trial.params, values, trial.user_attrs])
    trial.set_user_attr(_SEAL, {"values": values, _SEAL: digest})


def sealed_trials(study: optuna.Study) -> list[FrozenTrial]:
    """Trials that ended by themselves, with values or with a reason why there are none, by number."""
    trials = sorted(study.get_trials(deepcopy=False), key=lambda trial: trial.number)
    return [trial for trial in trials if trial.state.is_finished() and ended_itself(trial)]


def store_record(study: optuna.Study, name: str, value: Any) -> None:
    """Keep a value of JSON beside the trials of a study."""
    if stored_record(study, name) != value:
        study.set_user_attr(name, {"value": value, _SEAL: _digest(value)})


def stored_record(study: optuna.Study, name: str) -> Any:
    """What `store_record` stored; None where there is none."""
    return study.user_attrs.get(name, {}).get("value")


def fail_cut_off(study: optuna.Study) -> None:
    """Mark the trials of killed processes as failed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExperimentalWarning)
        optuna.storages.fail_stale_trials(study)


def sign_of_life(study: optuna.Study, trial: optuna.Trial) -> None:
    """Give one for a trial now: what `watched` studies do is begun beside it, a moment later."""
    storage = study._storage
    if isinstance(storage, optuna.storages._CachedStorage):
        storage = storage._backend
    assert isinstance(storage, RDBStorage)
    storage.record_heartbeat(trial._trial_id)


def study_file(kind: str, folder: Path) -> Path:
    """Where a project keeps its studies of a kind when no other storage is named."""
    return folder / FOLDER / f"{kind}.sqlite"


def _of_storage(
    kind: str, version: int, folder: Path, url: str | None, use: Callable[[BaseStorage], T], watched: bool = False
) -> T:
    """What `use` finds in the storage, after all in it has been checked."""
    file = None if url is not None else study_file(kind, folder)

    def found() -> T:
        with _checked(file), _quiet():
            if file is not None:
                _require_sound_file(file)
            storage = _storage(f"sqlite:///{file}" if url is None else url, watched)
            names = optuna.get_all_study_names(storage)
            if any(_of_another_version(name, kind, version) for name in names):
                raise InputError.one(
                    f"it holds a {kind} study that another version of phaseopt wrote",
                    hint="move the file away" if file is not None else "name another storage",
                    file=file,
                    where=OPTION if file is None else "",
                )
            for name in names:
                if name.startswith(_OURS) or file is not None:
                    _require_own_name(optuna.load_study(storage=storage, study_name=name))
            return use(storage)

    if file is None:
        return found()
    with _checked(file):
        file.parent.mkdir(exist_ok=True)
    with locked(file.parent):  # so that no process takes the half-made file of another for a damaged one
        try:
            return found()
        except DamagedError as error:
            set_aside(file, str(error))
            for journal in ("-journal", "-wal", "-shm"):  # they would be played into the new file
                file.with_name(file.name + journal).unlink(missing_ok=True)
        try:
            return found()
        except DamagedError as error:
            raise _unusable(file, error) from error


@contextmanager
def _checked(file: Path | None) -> Iterator[None]:
    """What keeps a storage from being opened, as wrong input; what a file should not hold, as damage."""
    try:
        yield
    except InputError:
        raise
    except DamagedError as error:
        if file is not None:
            raise
        hint = "name another storage: what is sound in this one cannot be found out"
        raise InputError.one(f"the storage of the study is damaged ({error})", hint=hint, where=OPTION) from error
    except Exception as error:  # Optuna reads a damaged file without a check of its own: any error may come of it
        cause = error.orig if isinstance(error, DBAPIError) else error
        of_the_machine = isinstance(cause, OSError | ImportError) or (
            isinstance(cause, sqlite3.Error) and getattr(cause, "sqlite_errorname", "").startswith(_MACHINE)
        )
        if file is None or of_the_machine:
            raise _unusable(file, error) from error
        raise DamagedError(f"{type(error).__name__} in reading it") from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Without what Optuna logs of a storage that it cannot read; later errors, and no refused trial."""
    optuna.logging.set_verbosity(optuna.logging.CRITICAL)
    try:
        yield
    finally:
        optuna.logging.set_verbosity(optuna.logging.ERROR)


def _require_sound_file(file: Path) -> None:
    """Refuse a file that SQLite itself finds damaged."""
    if not file.exists():
        return
    if not file.is_file():
        raise DamagedError("it is no file")
    with closing(sqlite3.connect(file, timeout=WAIT)) as database:
        (answer,) = database.execute("PRAGMA integrity_check(1)").fetchone()
    if answer != "ok":
        raise DamagedError(" ".join(str(answer).split()))


def _require_own_name(study: optuna.Study) -> None:
    """Refuse a study under another name than the one it was made under; a killed run may leave none."""
    begun = bool(study.get_trials(deepcopy=False))  # read first: another process gives the name before it asks a trial
    held = study.user_attrs
    if held.get(_NAME) != study.study_name and (held or begun):
        raise DamagedError("the name of a study is not its own")


def _require_sound(study: optuna.Study) -> None:
    """Refuse a study in which a number, a setting or a result is not what was recorded."""
    trials = sorted(study.get_trials(deepcopy=False), key=lambda trial: trial.number)
    if [trial.number for trial in trials] != list(range(len(trials))):
        raise DamagedError("a trial is missing")
    for name, held in study.user_attrs.items():
        if name != _NAME and held[_SEAL] != _digest(held["value"]):
            raise DamagedError(f"{name!r} of a study is not what was recorded")
    unsound = [trial.number for trial in trials if not _is_sound(trial)]
    if unsound:  # or ended by another process between the reading of its state and of its values: read again
        again = {trial.number: trial for trial in study.get_trials(deepcopy=False)}
        for number in unsound:
            if number not in again or not _is_sound(again[number]):
                raise DamagedError(f"trial {number + 1} is not what was recorded")


def _is_sound(trial: FrozenTrial) -> bool:
    """Whether a trial is what was recorded; one that was cut off recorded nothing."""
    if trial.values is None and not (trial.state.is_finished() and ended_itself(trial)):
        return True
    attributes = dict(trial.user_attrs)
    sealed = attributes.pop(_SEAL, None)
    digest = _digest([trial.number, trial.params, trial.values, attributes])
    complete = trial.state == TrialState.COMPLETE
    return sealed == {"values": trial.values, _SEAL: digest} and complete == (trial.values is not None)


def ended_itself(trial: FrozenTrial) -> bool:
    """Whether a finished trial was not cut off: it has a seal, with values if and only if it has values."""
    seal = trial.user_attrs.get(_SEAL)
    return seal is not None and (seal["values"] is None) == (trial.state == TrialState.FAIL)


def _digest(held: Any) -> str:
    return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()


def _storage(url: str, watched: bool) -> BaseStorage:
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
    return f"{_OURS}{kind} {version} {made_of}"


def _of_another_version(name: str, kind: str, version: int) -> bool:
    """Whether a study is of this kind and another version.

    >>> [_of_another_version(n, "offsets", 2) for n in ("phaseopt offsets 1 3f", "phaseopt offsets 2 4a", "other")]
    [True, False, False]
    """
    return name.startswith(f"{_OURS}{kind} ") and not name.startswith(f"{_OURS}{kind} {version} ")


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
