"""Whether effective factors of another engine's calibration may be carried over: only with the parts they go with.

A factor also makes up for what the description of its parts has wrong. With another part it makes up for nothing, so
it is refused where a part that both projects describe differs.
"""

from functools import reduce

from phaseopt.cycle.from_project import cycle_section
from phaseopt.project import Project
from phaseopt.project.load import SIMULATE_DOES_WITHOUT, load_project
from phaseopt.project.simulation import FACTOR_PARTS
from phaseopt.values.errors import InputError, Mistake

_PORT = ("throat", "stem", "seat_width", "seat_angle", "bench", "inward", "outward", "port")
_HEAD = tuple(f"{side}.{key}" for side in ("intake", "exhaust") for key in ("valves", "head_diameter"))
# keys that describe what a factor goes with, and what it multiplies
COMPARED = {
    "flow": (*_HEAD, *(f"cycle.{side}.{key}" for side in ("intake", "exhaust") for key in _PORT)),
    "friction": ("cylinders", *(f"crank.{key}" for key in ("bore", "stroke", "rod", "pin_offset")), "cycle.friction"),
    "wall temperature": (*_HEAD, "crank.bore", "cycle.chamber_wall"),
    "burn duration": ("crank.bore", "crank.compression_ratio", "cycle.fuel", "cycle.burn_duration"),
}


def require_same_parts(project: Project) -> None:
    """Refuse factors of a project whose parts are others; nothing is compared where none is named.

    Raises `InputError` with the key of each factor and of a part that differs, and as `load_project` for the other
    project.
    """
    factors = cycle_section(project).factors
    if factors.of is None or not factors.named:
        return
    other = load_project(project.folder / factors.of, without=SIMULATE_DOES_WITHOUT)
    if other.cycle is None:
        raise InputError.one(
            f"{factors.of} has no [cycle], so no factor can be from it",
            hint="name the project whose pulls gave the factors",
            file=project.file,
            where="cycle.factors.of",
        )
    mistakes = []
    for name in factors.named:
        differ = [key for key in COMPARED[name] if not _alike(_value(project, key), _value(other, key))]
        if differ:
            mistakes.append(Mistake(
                f"goes only with the same {FACTOR_PARTS[name]}, and {' and '.join(differ)} {_differs(differ)} from "
                f"{factors.of}",
                "take the factor out; pulls on this engine would show its own",
                project.file, f"cycle.factors.{name.replace(' ', '_')}",
            ))  # fmt: skip
    if mistakes:
        raise InputError(mistakes)


def _differs(keys: list[str]) -> str:
    return "differs" if len(keys) == 1 else "differ"


def _value(project: Project, key: str) -> object:
    return reduce(getattr, key.split("."), project)


def _alike(ours: object, theirs: object) -> bool:
    """Equal, or not described in one of the two."""
    return ours is None or theirs is None or ours == () or theirs == () or ours == theirs
