"""A simulated grid on disk: NetCDF-4, whole or not at all."""

import os
import tempfile
from pathlib import Path

import xarray as xr

from phaseopt.cycle.grid import AXES, NOTE, VARIABLES
from phaseopt.errors import InputError


def write_netcdf(grid: xr.Dataset, path: Path) -> None:
    """Write a grid to `path`; a file that was there stays as it was unless the new one is complete.

    Raises `InputError` where the directory is missing or full.
    """
    part = None
    try:
        handle, part = tempfile.mkstemp(prefix=path.name, suffix=".part", dir=path.parent)
        os.close(handle)
        grid.to_netcdf(part, engine="h5netcdf")
        os.chmod(part, 0o644)
        os.replace(part, path)
    except OSError as error:
        if part is not None:
            Path(part).unlink(missing_ok=True)
        mend = "give a directory that exists, may be written to, and has room"
        raise InputError.one(f"cannot be written ({error.strerror or error})", mend=mend, file=path) from error


def read_netcdf(path: Path) -> xr.Dataset:
    """Read a grid that `write_netcdf` wrote.

    Raises `InputError` for a missing file, one that is no NetCDF, and one that is something else's.
    """
    mend = "give the file that `phaseopt simulate` wrote"
    try:
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            grid = opened.load()
    except (OSError, ValueError) as error:
        raise InputError.one(f"cannot be read as NetCDF ({error})", mend=mend, file=path) from error
    missing = [n for n in (*AXES, *VARIABLES, "settled") if n not in grid.variables]
    if missing or grid.attrs.get("comment") != NOTE:
        lacks = f": it lacks {', '.join(missing)}" if missing else ""
        raise InputError.one(f"is not a simulated torque grid{lacks}", mend=mend, file=path)
    return grid
