"""Files that appear whole or not at all."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from phaseopt.values.errors import InputError

HINT = "give a directory that exists, may be written to, and has room"


@contextmanager
def whole(path: Path, hint: str = HINT) -> Iterator[Path]:
    """A file beside `path` to write to, renamed to `path` at the end; whatever goes wrong, it is removed.

    A file that was there stays as it was until then. Raises `InputError` with `mend` where the directory is missing,
    closed to writing or full.

    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with whole(Path(folder) / "a.txt") as part:
    ...         _ = part.write_text("all of it")
    ...     os.listdir(folder)
    ['a.txt']
    """
    part = None
    try:
        handle, name = tempfile.mkstemp(prefix=path.name, suffix=".part", dir=path.parent)
        part = Path(name)
        os.close(handle)
        yield part
        os.chmod(part, 0o644)
        os.replace(part, path)
    except OSError as error:
        raise InputError.one(f"cannot be written ({error.strerror or error})", hint=hint, file=path) from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)
