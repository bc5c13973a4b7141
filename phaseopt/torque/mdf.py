"""Channels of an ASAM MDF file (extra `mdf`), each with its own times and the unit the file has for it."""

import gc
import sys
import traceback
from collections.abc import Collection
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.io.text import MOST_LOG, require_plain
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError


class MdfChannel(NamedTuple):
    """Values and times (n,) of a channel, and its unit as the file has it ("" for none)."""

    values: FloatArray
    time: FloatArray
    unit: str


def is_mdf(file: Path) -> bool:
    """Whether a file is MDF by its first bytes ("MDF" or, from a recording that was not closed, "UnFinMF")."""
    require_plain(file, MOST_LOG)
    try:
        with file.open("rb") as stream:
            return stream.read(8).strip(b" \0") in (b"MDF", b"UnFinMF")
    except OSError:
        return False


def read_mdf(file: Path, wanted: Collection[str]) -> tuple[dict[str, MdfChannel], tuple[str, ...]]:
    """The wanted channels that the file has, in any group, and the names of all its channels.

    Samples that the file marks as invalid are left out. Raises `InputError` where the extra `mdf` is not installed,
    the file cannot be read, or a wanted channel is in it twice or holds no numbers.
    """
    try:
        from asammdf import MDF
    except ImportError as error:
        hint = "pip install 'phaseopt[mdf]', or export the recording as CSV"
        raise InputError.one("reading MDF needs the extra mdf", hint=hint, file=file) from error
    try:
        with MDF(file) as recording:
            places = {name: at for name, at in recording.channels_db.items() if name in wanted}
            found: dict[str, MdfChannel] = {}
            clocks: dict[int, FloatArray] = {}  # channels of one group share their times
            for name, at in places.items():
                if len(set(at)) > 1:
                    groups = ", ".join(str(group) for group, _ in at)
                    raise InputError.one(
                        f"channel {name!r} is in {len(at)} groups: {groups}",
                        hint="export the recording with one channel of that name",
                        file=file,
                    )
                group, index = at[0]
                signal = recording.get(name, group=group, index=index)  # without what is marked invalid
                time = np.asarray(signal.timestamps, dtype=np.float64)
                if np.array_equal(time, clock := clocks.setdefault(group, time)):
                    time = clock
                found[name] = MdfChannel(_numbers(file, name, signal.samples), time, str(signal.unit or "").strip())
            return found, tuple(recording.channels_db)
    except InputError:
        raise
    except Exception as error:  # a damaged file ends in any error of its parser
        hint = "open it where it was recorded and export it again"
        _let_go(error)
        raise InputError.one(f"cannot be read as MDF ({error})", hint=hint, file=file) from error


def _let_go(error: BaseException) -> None:
    """Free a parser that met a damaged file now and in silence: half made, it complains on the terminal as it goes."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        met: BaseException | None = error
        while met is not None:
            traceback.clear_frames(met.__traceback__)
            met = met.__context__
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _numbers(file: Path, name: str, samples: npt.NDArray[np.generic]) -> FloatArray:
    if samples.ndim != 1 or samples.dtype.kind not in "fiub":
        hint = "name a channel of single numbers"
        raise InputError.one(f"channel {name!r} holds no numbers", hint=hint, file=file)
    values = np.asarray(samples, dtype=np.float64)
    return np.where(np.isfinite(values), values, np.nan)
