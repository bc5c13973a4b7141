"""Arrays that took long to compute, kept beside a project in files named by all that they depend on."""

import contextlib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.io.atomic import whole
from phaseopt.io.digest import fingerprint
from phaseopt.values.errors import InputError

Array = npt.NDArray[np.float64]

FOLDER = ".phaseopt"  # beside the project file


def kept(folder: Path, kind: str, compute: Callable[[], dict[str, Array]], *depends_on: Any) -> dict[str, Array]:
    """What `compute` returns, from the file that an earlier call left in `folder`/.phaseopt or computed and left there.

    Parameters: `folder` of the project; `kind`, how the file's name begins; `compute`; `depends_on`, all that the
    arrays depend on, the version of the program included, as `fingerprint` takes it. A file that cannot be read is
    computed anew; where none can be written, none is kept.
    """
    path = folder / FOLDER / f"{kind}-{fingerprint(*depends_on)}.npz"
    try:
        with np.load(path, allow_pickle=False) as file:
            return dict(file)
    except (OSError, ValueError, EOFError, zipfile.BadZipFile):
        found = compute()
    with contextlib.suppress(InputError, OSError):
        path.parent.mkdir(exist_ok=True)
        with whole(path) as part, part.open("wb") as file:
            np.savez(file, **dict[str, Any](found))
    return found
