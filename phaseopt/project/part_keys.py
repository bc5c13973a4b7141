"""Which keys of a project file a part may set, by its kind, and what a key that it sets stands in place of."""

import copy
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

from phaseopt.project import SIDES

_CAM = (
    "lobe", "lobe_column", "lobe_error", "card", "ratio", "ratio_over_lift", "ratio_error", "lash", "pump_up",
    "centreline", "centreline_by", "spread",
)  # fmt: skip
_PORT = ("throat", "stem", "seat_width", "seat_angle", "bench", "inward", "outward", "port")
SIZES = ("drop.measured_with", "drop.built_with")
_READ = ("drop.intake", "drop.exhaust")
# kind of part -> keys of a project file that it may set, with all that is in them
SETS: dict[str, tuple[str, ...]] = {
    "intake_cams": tuple(f"intake.{key}" for key in _CAM),
    "exhaust_cams": tuple(f"exhaust.{key}" for key in _CAM),
    "heads": (
        *(f"{side}.{key}" for side in SIDES for key in ("valves", "head_diameter", "tilt", "spring")),
        *(f"cycle.{side}.{key}" for side in SIDES for key in _PORT),
        "cycle.chamber_wall", "cycle.burn_duration", "seats", *_READ, *(f"{each}.skimmed" for each in SIZES),
    ),
    "intake_springs": ("intake.spring",),
    "exhaust_springs": ("exhaust.spring",),
    "pistons": (
        *_READ, *(f"{each}.{key}" for each in SIZES for key in ("compression_height", "deck", "pocket_depth")),
        "gap.running.rod", "gap.running.growth", "gap.running.play", "cycle.burn_duration",
    ),
    "cranks": (
        "crank.stroke", "crank.rod", "crank.pin_offset", "crank.redline", "crank.overspeed", "gap.running.rod",
        *(f"{each}.deck" for each in SIZES),
    ),
    "gaskets": tuple(f"{each}.gasket" for each in SIZES),
    "pockets": tuple(f"{each}.pocket_depth" for each in SIZES),
    "manifolds": (
        "cycle.intake.runner", "cycle.intake.parts", "cycle.intake.wall", "cycle.throttles", "cycle.plenum_volume",
        "cycle.throttle_volume", "cycle.full_throttle_depression",
    ),
    "exhausts": tuple(
        f"cycle.exhaust.{key}"
        for key in ("primary", "secondary", "collector_volume", "tail", "parts", "wall", "secondary_wall", "tail_wall")
    ),
    "limiters": (
        "intake.phaser.travel", "intake.phaser.travel_in", "exhaust.phaser.travel", "exhaust.phaser.travel_in",
        "phaser.travel", "phaser.travel_in",
    ),
    "sprockets": (),
    "fuels": ("cycle.fuel", "cycle.lambda", "cycle.air_fuel_ratio", "cycle.knock.octane"),
}  # fmt: skip
KINDS: tuple[str, ...] = tuple(SETS)
MOVE_THE_DROP = ("heads", "pistons", "cranks", "gaskets", "pockets")  # kinds that the valve drop depends on
CAMS = ("intake_cams", "exhaust_cams")
# a part's own keys that only some kinds have
ONLY = {
    "family": CAMS,
    "compression": MOVE_THE_DROP,
    "same_drop": ("heads", "pistons"),
    "intake_offset": ("sprockets",),
    "exhaust_offset": ("sprockets",),
}
_PLURAL = ("pistons", "pockets", "sprockets", "intake_springs", "exhaust_springs")  # one part is called so too


def kind_text(kind: str) -> str:
    """What one part of a kind is called, as under [now].

    >>> kind_text("intake_cams"), kind_text("pistons")
    ('intake_cam', 'pistons')
    """
    return kind if kind in _PLURAL else kind.removesuffix("s")


def leaves(table: Mapping[str, Any], under: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of nested tables with its key.

    >>> list(leaves({"intake": {"lobe": "a.csv", "centreline": 110}}))
    [('intake.lobe', 'a.csv'), ('intake.centreline', 110)]
    """
    for key, value in table.items():
        if isinstance(value, dict) and value:
            yield from leaves(value, f"{under}{key}.")
        else:
            yield f"{under}{key}", value


def inside(key: str, of: Sequence[str]) -> bool:
    """Whether a key is one of some, or in one of them."""
    return any(f"{key}.".startswith(f"{each}.") for each in of)


def merged(base: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Nested tables with changes, key by key; whole what `WHOLE` names.

    >>> merged({"crank": {"bore": 81.0, "stroke": 86.0}}, {"crank": {"stroke": 90.0}})
    {'crank': {'bore': 81.0, 'stroke': 90.0}}
    """
    return _merged(base, changes, "")


# tables that mean something as a whole only
WHOLE = (
    *(f"{side}.card" for side in SIDES), *(f"seats.{side}" for side in SIDES), *(f"drop.{side}" for side in SIDES),
    *(f"cycle.{side}.bench" for side in SIDES),
)  # fmt: skip


def _merged(base: Mapping[str, Any], changes: Mapping[str, Any], under: str) -> dict[str, Any]:
    result = dict(base)
    for key, value in changes.items():
        at, there = f"{under}{key}", result.get(key)
        both = isinstance(value, dict) and isinstance(there, dict) and at not in WHOLE
        result[key] = _merged(cast(Any, there), value, f"{at}.") if both else copy.deepcopy(value)
    return result


# what a key stands in place of: it goes where a part sets that key
REPLACES: dict[str, tuple[str, ...]] = {
    "cycle.intake.parts": (
        "cycle.intake.runner", "cycle.plenum_volume", "cycle.throttles", "cycle.throttle_volume",
    ),
    "cycle.intake.runner": ("cycle.intake.parts",),
    "cycle.throttles": ("cycle.plenum_volume", "cycle.throttle_volume"),
    "cycle.plenum_volume": ("cycle.throttles", "cycle.throttle_volume"),
    "cycle.exhaust.parts": tuple(
        f"cycle.exhaust.{key}" for key in ("primary", "secondary", "collector_volume", "tail")
    ),
    **{f"cycle.exhaust.{key}": ("cycle.exhaust.parts",) for key in ("primary", "secondary", "tail")},
    "cycle.intake.bench": ("cycle.intake.inward",),
    "cycle.intake.inward": ("cycle.intake.bench",),
    "cycle.exhaust.bench": ("cycle.exhaust.outward",),
    "cycle.exhaust.outward": ("cycle.exhaust.bench",),
    "cycle.fuel": ("cycle.air_fuel_ratio",),
    "cycle.lambda": ("cycle.air_fuel_ratio",),
    "cycle.air_fuel_ratio": ("cycle.lambda",),
    "phaser.travel": ("phaser.travel_in",),
}  # fmt: skip
for _side in SIDES:
    _lobe = tuple(f"{_side}.{key}" for key in ("lobe", "lobe_column", "lobe_error", "card", "spread"))
    _forces = tuple(f"{_side}.spring.{key}" for key in ("forces", "seat_force", "full_lift_force"))
    REPLACES |= {
        **{f"{_side}.{key}": _lobe for key in ("lobe", "card")},
        f"{_side}.ratio": (f"{_side}.ratio_over_lift", f"{_side}.ratio_error"),
        f"{_side}.ratio_over_lift": (f"{_side}.ratio", f"{_side}.ratio_error"),
        f"{_side}.centreline": (f"{_side}.centreline_by",),
        f"{_side}.phaser.travel": (f"{_side}.phaser.travel_in",),
        **dict.fromkeys(_forces, _forces),
        f"{_side}.head_diameter": ("seats.contact_lifts",),
        f"seats.{_side}": ("seats.contact_lifts",),
    }


def changed_table(table: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of a project file with those that a part sets; what they stand in place of is taken out.

    >>> changed_table({"intake": {"card": {"lift": 10.0}, "ratio": 1.0}}, {"intake": {"lobe": "long.csv"}})
    {'intake': {'ratio': 1.0, 'lobe': 'long.csv'}}
    """
    result = copy.deepcopy(dict(table))
    for key, _ in leaves(changes):
        # a key in a table that counts as a whole stands for that table
        setter = next((each for each in (*WHOLE, *REPLACES) if inside(key, (each,))), key)
        for gone in REPLACES.get(setter, ()):
            _take_out(result, gone)
    return merged(result, changes)


def _take_out(table: dict[str, Any], key: str) -> None:
    at: Any = table
    *path, last = key.split(".")
    for name in path:
        at = at.get(name) if isinstance(at, dict) else None
    if isinstance(at, dict):
        at.pop(last, None)


def without(table: Mapping[str, Any], *gone: str) -> dict[str, Any]:
    """Nested tables without some keys, those that are there.

    >>> without({"torque": {"bin": 250}, "tables": {"baseline": {}, "check_lift": 1.0}}, "torque", "tables.baseline")
    {'tables': {'check_lift': 1.0}}
    """
    result = copy.deepcopy(dict(table))
    for key in gone:
        _take_out(result, key)
    return result
