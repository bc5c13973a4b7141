"""A simulated grid on disk: NetCDF-4, whole or not at all, with a digest that is checked when it is read back."""

import io
import os
from pathlib import Path

import xarray as xr

from phaseopt.cycle.grid import AXES, NOTE, VARIABLES
from phaseopt.io.atomic import write_file
from phaseopt.io.cache import DamagedError, read_entry, sealed, sealed_file, set_aside, write_entry
from phaseopt.values.errors import InputError

_HINT = "give the file that `phaseopt simulate` wrote, or simulate again: phaseopt simulate PROJECT.toml"


def write_netcdf(grid: xr.Dataset, path: Path) -> None:
    """Write a grid to `path`; a file that was there stays as it was unless the new one is complete.

    Raises `InputError` where the directory is missing or full.
    """
    write_file(path, sealed(_content(grid)))


def read_netcdf(path: Path) -> xr.Dataset:
    """Read a grid that `write_netcdf` wrote.

    Raises `InputError` for a missing file, one that was damaged or changed since, and one that is something else's.
    """
    try:
        content = sealed_file(path)
    except FileNotFoundError as error:
        raise InputError.one("no such file", hint=_HINT, file=path) from error
    except OSError as error:
        raise InputError.one(f"cannot be read ({error.strerror})", hint=_HINT, file=path) from error
    except DamagedError as error:
        problem = f"is no simulated torque grid, or was damaged since it was written ({error})"
        raise InputError.one(problem, hint=_HINT, file=path) from error
    return _grid(content, path)


def cache_grid(grid: xr.Dataset, path: Path) -> None:
    """Keep a grid beside its project. Raises `InputError` as `write_netcdf`."""
    write_entry(path, _content(grid))


def cached_grid(path: Path, fingerprint: str) -> xr.Dataset | None:
    """The grid of this fingerprint that is kept there; None where there is none, or a damaged one, set aside then."""
    content = read_entry(path)
    if content is None:
        return None
    try:
        grid = _grid(content, path)
    except InputError as error:
        set_aside(path, error.mistakes[0].problem)
        return None
    return grid if grid.attrs.get("fingerprint") == fingerprint else None


def _content(grid: xr.Dataset) -> bytes:
    made = io.BytesIO()  # in memory: on a disk that fills up HDF5 leaves files that cannot be closed
    grid.to_netcdf(made, engine="h5netcdf")
    return made.getvalue()


def _grid(content: bytes, path: Path) -> xr.Dataset:
    try:
        with xr.open_dataset(io.BytesIO(content), engine="h5netcdf") as opened:
            grid = opened.load()
    except (OSError, ValueError) as error:
        raise InputError.one("is no NetCDF file", hint=_HINT, file=path) from error
    missing = [n for n in (*AXES, *VARIABLES, "settled") if n not in grid.variables]
    if missing or grid.attrs.get("comment") != NOTE:
        lacks = f": it lacks {', '.join(missing)}" if missing else ""
        raise InputError.one(f"is not a simulated torque grid{lacks}", hint=_HINT, file=path)
    return grid


def require_replaceable_grid(path: Path, project: str) -> None:
    """Refuse, before any work, a place where a grid cannot go.

    Parameters: `path` of the grid to come, `project` the name of its project.
    Raises `InputError` where the folder is missing or may not be written, and where something else than a simulated
    grid of that project is there already.
    """
    if not path.parent.is_dir():
        raise InputError.one("its folder does not exist", hint=f"make {path.parent}, or name another", file=path)
    if path.is_dir():
        raise InputError.one("is a folder", hint="name a file in it, such as grid.nc", file=path)
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise InputError.one("its folder may not be written", hint="name a place that may be written", file=path)
    if path.exists():
        try:
            there = read_netcdf(path).attrs.get("project", project)
        except InputError as error:
            raise InputError.one(
                f"is there already and {error.mistakes[0].problem}", hint="name a new file, or move that one", file=path
            ) from error
        if there != project:
            raise InputError.one(
                f"holds the simulated grid of another project, {there}",
                hint="name a new file, or move that one",
                file=path,
            )
