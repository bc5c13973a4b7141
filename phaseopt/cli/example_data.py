"""The hill-climb example as files, wherever the program was installed from.

A wheel carries them inside the package, put there by `examples/wheel.py`; a source tree has them in `examples/` and
`maps/`. Nothing heavy is imported here, and nothing of the package, for the build of the wheel reads this file too.
"""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

INSIDE = "_examples"  # where a wheel keeps them, in the package
PATTERNS = (
    "examples/hillclimb/project.toml",
    "examples/hillclimb/shelf.toml",
    "examples/hillclimb/lobes/*.csv",
    "examples/hillclimb/drops/*.csv",
    "examples/hillclimb/dyno/*.csv",
    "examples/hillclimb/after/tables.*",
    "examples/hillclimb/after/phaser-steps.csv",
    "maps/hillclimb-start/*_phase.csv*",
    "maps/hillclimb-best/*_phase.csv*",
)
# What changes where the example stands by itself: its tables lie in its own folder, and no README above it.
_ALONE = {
    "project.toml": (("../../maps/", "maps/"), (" (see ../README.md)", "")),
    "after/tables.toml": (("examples/hillclimb/", ""),),
}


def source_files(root: Path) -> dict[str, Path]:
    """The example's files in a source tree, by their name in the example, in the order of their names."""
    found = {}
    for path in (path for pattern in PATTERNS for path in root.glob(pattern)):
        name = path.relative_to(root).as_posix().removeprefix("examples/hillclimb/")
        found[name] = path
    return dict(sorted(found.items()))


def example_files() -> dict[str, str]:
    """The hill-climb example as texts by file name, complete: written to any folder, its project is ready to build.

    Returns names relative to that folder, parts parted by "/", and texts with their own line ends (write them
    unchanged, with `newline=""`).

    >>> files = example_files()
    >>> "lobes/intake.csv" in files, "shelf.toml" in files
    (True, True)
    >>> "../" in files["project.toml"]
    False
    """
    inside = files("phaseopt") / INSIDE
    found = _below(inside) if inside.is_dir() else dict(source_files(Path(__file__).parents[2]))
    texts = {name: found[name].read_bytes().decode("utf-8") for name in sorted(found)}
    for name, changes in _ALONE.items():
        for old, new in changes:
            texts[name] = texts[name].replace(old, new)
    return texts


def _below(folder: Traversable, above: str = "") -> dict[str, Traversable]:
    """Every file below a folder of the package, by its name from there."""
    found: dict[str, Traversable] = {}
    for entry in folder.iterdir():
        found |= _below(entry, f"{above}{entry.name}/") if entry.is_dir() else {above + entry.name: entry}
    return found
