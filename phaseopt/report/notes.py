"""Notes, each once over all that it concerns."""

import re
from collections.abc import Iterable, Sequence

_STRETCH = re.compile(r"\d+ stretch(es)? of rows ")  # a reason that "Left out" counts over all pulls


def shared_notes(notes: Iterable[str], names: Sequence[str]) -> list[str]:
    """Notes that begin with a pull's name, said once for all pulls that share them; the others as they are.

    Rows left out of one pull come last.

    Parameters: `notes`, `names` of the pulls.

    >>> shared_notes(["a: cold", "no sun", "b: cold"], ["a", "b"])
    ['a, b: cold', 'no sun']
    """
    shared: dict[str, list[str]] = {}
    for note in notes:
        name = next((name for name in names if note.startswith(f"{name}: ")), "")
        shared.setdefault(note.removeprefix(f"{name}: "), []).append(name)
    texts = sorted(shared, key=lambda text: bool(_STRETCH.match(text)))
    return [f"{_named(shared[text])}{text}" for text in texts]


def some_notes(notes: Sequence[str], most: int) -> tuple[str, ...]:
    """The first of them, and how many more there are; all where that takes no more lines.

    >>> some_notes(["a", "b", "c"], 1), some_notes(["a", "b"], 1)
    (('a', '2 more: add --verbose.'), ('a', 'b'))
    """
    if len(notes) <= most + 1:
        return tuple(notes)
    return (*notes[:most], f"{len(notes) - most} more: add --verbose.")


def _named(names: list[str]) -> str:
    """Pulls that a note is about.

    >>> _named(["a", "b"]), _named(["a", "b", "c", "d"]), _named([""])
    ('a, b: ', 'a and 3 more pulls: ', '')
    """
    if names == [""]:
        return ""
    return ", ".join(names) + ": " if len(names) <= 3 else f"{names[0]} and {len(names) - 1} more pulls: "
