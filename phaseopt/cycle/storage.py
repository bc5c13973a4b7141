"""A simulated grid on disk: NetCDF-4, whole or not at all."""

import io
import os
from pathlib import Path

import xarray as xr

from phaseopt.cycle.grid import AXES, NOTE, VARIABLES
from phaseopt.io.atomic import whole
from phaseopt.values.errors import InputError


def write_netcdf(grid: xr.Dataset, path: Path) -> None:
    """Write a grid to `path`; a file that was there stays as it was unless the new one is complete.

    Raises `InputError` where the directory is missing or full.
    """
    # made in memory: on a disk that fills up HDF5 leaves files that cannot be closed
    made = io.BytesIO()
    grid.to_netcdf(made, engine="h5netcdf")
    with whole(path) as part:
        part.write_bytes(made.getbuffer())


def read_netcdf(path: Path, fingerprint: str | None = None) -> xr.Dataset:
    """Read a grid that `write_netcdf` wrote, and if `fingerprint` is given, that has this attribute.

    Raises `InputError` for a missing file, one that is no NetCDF, one that is something else's, and a grid with another
    fingerprint: simulated for another engine, over other axes, or by another version of the program.
    """
    hint = "give the file that `phaseopt simulate` wrote"
    try:
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            grid = opened.load()
    except (OSError, ValueError) as error:
        raise InputError.one(f"cannot be read as NetCDF ({error})", hint=hint, file=path) from error
    missing = [n for n in (*AXES, *VARIABLES, "settled") if n not in grid.variables]
    if missing or grid.attrs.get("comment") != NOTE:
        lacks = f": it lacks {', '.join(missing)}" if missing else ""
        raise InputError.one(f"is not a simulated torque grid{lacks}", hint=hint, file=path)
    if fingerprint is not None and grid.attrs.get("fingerprint") != fingerprint:
        raise InputError.one(
            "was simulated for another project, or by another version of the program",
            hint="simulate again: phaseopt simulate PROJECT.toml",
            file=path,
        )
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
                "is there already and is no simulated grid", hint="name a new file, or move that one", file=path
            ) from error
        if there != project:
            raise InputError.one(
                f"holds the simulated grid of another project, {there}",
                hint="name a new file, or move that one",
                file=path,
            )
