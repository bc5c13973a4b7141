"""Names for results: a hash of all that a number was computed from, the program that computed it included."""

import hashlib
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np


def fingerprint(*things: Any) -> str:
    """32 hexadecimal digits that stand for numbers, texts, arrays, and dataclasses and tuples of them.

    Equal values have equal fingerprints, whether a number was written 81 or 81.0; names of dataclasses and of their
    fields count, so that a field added to the program makes a new name. The digits are the start of SHA-256
    (FIPS 180-4).

    >>> fingerprint("a", 81) == fingerprint("a", 81.0) != fingerprint("a", 81.5)
    True
    >>> len(fingerprint(np.zeros(3)))
    32
    """
    digest = hashlib.sha256()
    for piece in _pieces(things):
        digest.update(f"{len(piece)}:".encode() + piece)  # lengths keep "ab", "c" and "a", "bc" apart
    return digest.hexdigest()[:32]


def file_digest(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal digits; read piece by piece, however large it is.

    Raises `OSError` where it cannot be read.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _pieces(thing: Any) -> Iterator[bytes]:
    if is_dataclass(thing) and not isinstance(thing, type):
        yield type(thing).__name__.encode()
        for field in fields(thing):
            yield field.name.encode()
            yield from _pieces(getattr(thing, field.name))
    elif isinstance(thing, tuple | list):
        yield f"{len(thing)} values".encode()
        for item in thing:
            yield from _pieces(item)
    elif isinstance(thing, np.ndarray):
        yield repr(thing.shape).encode()
        yield np.ascontiguousarray(thing, dtype="<f8").tobytes()
    elif isinstance(thing, str):
        yield b"text " + thing.encode()
    elif thing is None or isinstance(thing, bool):
        yield repr(thing).encode()
    elif isinstance(thing, int | float | np.number):
        yield float(thing).hex().encode()
    else:
        raise TypeError(f"{type(thing).__name__} has no fingerprint")


def sources_digest(*places: Path) -> str:
    """Digest of Python source files, by themselves or all below a folder, and of the libraries that run them.

    So results of one version are never mixed with those of another.
    """
    sources = sorted(source for place in places for source in (place.rglob("*.py") if place.is_dir() else [place]))
    texts = tuple((source.name, source.read_text("utf-8")) for source in sources)
    return fingerprint(texts, version("numba"), version("numpy"))
