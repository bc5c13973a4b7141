"""The fields of the bench: what a builder reads off the engine, side by side with the keys of the project file."""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from phaseopt.engine.degree_in import STEP
from phaseopt.live.edits import WAYS, value_at
from phaseopt.project import SIDES, Side
from phaseopt.project.mistakes import field_at
from phaseopt.project.quantities import meaning_of, reader_of
from phaseopt.report.words import capital
from phaseopt.values.display_units import Units

TDC, TURN = ("before TDC", "after TDC"), ("advanced", "retarded")
_AROUND = (("", "crank angle", TDC), ("", "drop", None))
_UNITS = {"crank deg": "°", "degC": "°C", "N m": "N·m"}


class Entry(NamedTuple):
    """A field: its key, what stands beside it, its value as the file has it, and the way that stands for a sign."""

    key: str
    label: str
    value: str
    was: str
    unit: str = ""
    ways: tuple[str, str] | None = None
    way: str = ""
    meaning: str = ""
    words: bool = False
    fit: str = ""

    @property
    def id(self) -> str:
        """Its name in the page."""
        return f"field-{self.key.replace('.', '-')}"


class ReadingRows(NamedTuple):
    """Readings that come in rows: those there are, an empty one to add, and what each row is (a list, or a table)."""

    key: str
    title: str
    rows: tuple[tuple[Entry, ...], ...]
    fits: tuple[str, ...]
    empty: tuple[Entry, ...]
    names: tuple[str, ...]  # of a row that is a table; none where it is a list


class Group(NamedTuple):
    """Fields under a heading, rows of readings, readings in files, and the file of lobes."""

    id: str
    title: str
    entries: tuple[Entry, ...]
    rows: tuple[ReadingRows, ...] = ()
    lobe: Entry | None = None
    lines: tuple[str, ...] = ()


def groups_of(raw: Mapping[str, Any], fits: Mapping[str, str], lines: Mapping[str, Sequence[str]]) -> list[Group]:
    """All fields of a project's contents.

    Parameters: `raw` contents of its file; `fits`, how each key's reading fits the others; `lines`, what a group of
    readings shows, by the group's id.
    """
    page = _Page(raw, fits)
    found: list[Group] = []
    for side in SIDES:
        drop, read, spring = f"drop.{side}", f"{side}.degree_in", f"{side}.spring"
        name = capital(side)
        cylinders = page.listed(f"{drop}.at_tdc")
        at_tdc = (
            [page.entry(f"{drop}.at_tdc.{n}", f"cylinder {n}, at TDC") for n in range(1, len(cylinders) + 1)]
            if isinstance(page.value(f"{drop}.at_tdc"), list)
            else [page.entry(f"{drop}.at_tdc", "one reading at TDC")]
        )
        found += [
            Group(
                f"drop-{side}", f"{name} valve drop", tuple(at_tdc),
                (page.rows(f"{drop}.around_tdc", "Readings around TDC", _AROUND),),
                lines=tuple(lines.get(f"drop-{side}", ())),
            ),
            Group(
                f"timing-{side}", f"{name} cam: degree-in readings",
                (
                    page.entry(f"{read}.full_lift", "full lift"),
                    page.entry(f"{read}.lift_at_tdc", "lift at TDC"),
                    page.entry(f"{read}.turned", "phaser moved by hand, cam turned", TURN),
                ),
                (
                    page.rows(
                        f"{read}.lifts", "Equal lifts",
                        (("lift", "lift", None), ("opening", "opening at", TDC), ("closing", "closing at", TDC)),
                    ),
                    page.rows(
                        f"{read}.travel_left", "Travel left until valve meets piston",
                        (("angle", "crank angle", TDC), ("left", "travel left", None)),
                    ),
                ),
                lines=tuple(lines.get(f"timing-{side}", ())),
            ),
            Group(
                f"cam-{side}", f"{name} cam as fitted",
                (
                    page.entry(f"{side}.offset", "fitted away from the card", TURN),
                    page.entry(f"{side}.centreline", "centreline as designed"),
                    page.entry(f"{side}.lash", "lash, cold"),
                ),
                lobe=page.entry(f"{side}.lobe", "lobe file", words=True),
            ),
            Group(
                f"spring-{side}", f"{name} valve spring",
                tuple(
                    page.entry(f"{spring}.{key}", label)
                    for key, label in (
                        ("seat_force", "force, valve shut"), ("full_lift_force", "force at full lift"),
                        ("fitted_height", "fitted height"), ("solid_height", "coil bind height"),
                        ("retainer_to_seal", "retainer to seal"), ("valve", "valve"), ("retainer", "retainer"),
                        ("keepers", "both keepers (collets)"), ("follower", "lifter (bucket)"),
                        ("spring", "whole spring"),
                    )
                ),
            ),
        ]  # fmt: skip
    order = ("drop", "timing", "cam", "spring")
    return sorted(found, key=lambda group: order.index(group.id.partition("-")[0]))


class _Page:
    """What fields are made from: the file's contents, and how each reading fits."""

    def __init__(self, raw: Mapping[str, Any], fits: Mapping[str, str]) -> None:
        self.raw, self.fits = raw, fits
        self.units: Units = "inch" if raw.get("units") == "inch" else "metric"

    def value(self, key: str) -> Any:
        return value_at(dict(self.raw), key)

    def listed(self, key: str) -> list[Any]:
        found = self.value(key)
        return found if isinstance(found, list) else []

    def entry(self, key: str, label: str, ways: tuple[str, str] | None = None, *, words: bool = False) -> Entry:
        """The field of a key; a number with a way is shown without its sign."""
        value, loc = self.value(key), tuple(int(p) - 1 if p.isdecimal() else p for p in key.split("."))
        field = field_at(loc)
        assert field is not None, key
        reader = reader_of(field)
        unit = "" if reader is None else reader.bare(self.units)
        text, way = _shown(value), ""
        if ways is not None:
            unit = "crank deg"
            way = ways[0] if WAYS[ways[0]] > 0 else ways[1]
            if isinstance(value, int | float):
                text = text.removeprefix("-")
                way = next(each for each in ways if WAYS[each] == (-1 if value < 0 else 1))
        if isinstance(value, str) and not words:
            unit = ""  # it carries one
        return Entry(
            key, label, text, json.dumps(value, default=str), _UNITS.get(unit, unit), ways, way,
            meaning_of(field, self.units), words, self.fits.get(key, ""),
        )  # fmt: skip

    def rows(self, key: str, title: str, columns: Sequence[tuple[str, str, tuple[str, str] | None]]) -> ReadingRows:
        """ReadingRows of a list: of tables whose keys are named, or of plain lists."""
        names = tuple(name for name, _, _ in columns if name)

        def row(number: int) -> tuple[Entry, ...]:
            return tuple(
                self.entry(f"{key}.{number}.{name or n}", label, ways)._replace(meaning="")
                for n, (name, label, ways) in enumerate(columns, 1)
            )

        count = len(self.listed(key))
        fits = tuple(self.fits.get(f"{key}.{number}", "") for number in range(1, count + 1))
        empty = tuple(entry._replace(unit=self._unit(key, names, n)) for n, entry in enumerate(row(count + 1)))
        return ReadingRows(key, title, tuple(row(number) for number in range(1, count + 1)), fits, empty, names)

    def _unit(self, key: str, names: tuple[str, ...], n: int) -> str:
        field = field_at((*key.split("."), 0, names[n]) if names else tuple(key.split(".")))
        reader = reader_of(field) if field is not None else None
        if not names:
            return "°" if n == 0 else ("in" if self.units == "inch" else "mm")
        unit = "" if reader is None else reader.bare(self.units)
        return _UNITS.get(unit, unit)


def _shown(value: Any) -> str:
    """A value as a field shows it: a number as it is, text without its quotes, one in brackets as it is written."""
    if value is None or value == "?":
        return ""
    if isinstance(value, str):
        return value
    return json.dumps(value, default=str)


def fits_of(model: Any, file: Path) -> tuple[dict[str, str], dict[str, list[str]]]:
    """How each reading fits the others, by its key, and what each group of readings shows, by the group's id.

    Parameters: `model`, the contact model that they made; `file`, the project's.
    """
    fits: dict[str, str] = {}
    lines: dict[str, list[str]] = {}
    for side in SIDES:
        fits |= dict(_drop_fits(model, side, file))
        fits |= dict(_timing_fits(model, side))
        lines[f"drop-{side}"] = list(_drop_lines(model, side, file))
        lines[f"timing-{side}"] = list(_timing_lines(model, side))
    return fits, lines


def _drop_fits(model: Any, side: Side, file: Path) -> Iterator[tuple[str, str]]:
    law, unit = model.drops[side], model.project.display_units.gap
    read = law.readings
    if read is None:
        return
    for n in range(read.line.size):
        if read.files[read.sitting[n]] == file:
            words = f"{unit.signed_text(float(read.residual[n]))} off the others' fit"
            yield f"drop.{side}.around_tdc.{read.line[n]}", words if read.used[n] else f"{words}, left out"


def _drop_lines(model: Any, side: Side, file: Path) -> Iterator[str]:
    from phaseopt.report.drop_table import drop_words

    law, unit = model.drops[side], model.project.display_units.gap
    yield f"{capital(drop_words(law, unit))}."
    read = law.readings
    for n in range(0 if read is None else read.line.size):
        if (at := read.files[read.sitting[n]]) != file:
            angle = float(read.angle[n])
            place = "TDC" if not angle else f"{abs(angle):g}° {'after' if angle > 0 else 'before'} TDC"
            out = "" if read.used[n] else ", left out"
            off = unit.signed_text(float(read.residual[n]))
            where = f"{at.name} line {read.line[n]}, cylinder {read.cylinder[n]}, {place}"
            yield f"{where}: {unit.text(float(read.drop[n]))}, {off} off the fit{out}"


def _timing_fits(model: Any, side: Side) -> Iterator[tuple[str, str]]:
    from phaseopt.clearance.travel_left import expected

    cam, stated, unit = model.engine.cam(side), model.project.cam(side), model.project.display_units.gap
    read = stated.degree_in
    if read is None:
        return
    lash, centre = read.lash if read.lash is not None else stated.lash, float(cam.centre(0.0))
    for number, each in enumerate(read.lifts, 1):
        if each.lift + lash >= cam.lobe.peak:
            continue
        for name, angle, flank in zip(
            ("opening", "closing"), (each.opening, each.closing), cam.lobe.span(each.lift + lash), strict=True
        ):
            if angle is not None:
                off = round((angle - centre - float(flank) + 360.0) % 720.0 - 360.0, 1)
                yield f"{side}.degree_in.lifts.{number}.{name}", f"{_signed(off)} off the lobe"
    if read.travel_left:
        for number, (each, wants) in enumerate(
            zip(read.travel_left, expected(read, model.drops[side], cam), strict=True), 1
        ):
            words = unit.signed_text(each.left - float(wants))
            yield f"{side}.degree_in.travel_left.{number}.left", f"{words} off drop less lift"
    if read.full_lift is not None:
        peak = float(cam.lobe.peak) - lash
        yield f"{side}.degree_in.full_lift", f"{unit.signed_text(read.full_lift - peak)} off the lobe"


def _timing_lines(model: Any, side: Side) -> Iterator[str]:
    from phaseopt.report.subjects.limits import timing_words

    yield f"{capital(side)} cam: {timing_words(model.engine.cam(side).read)}"


def _signed(degrees: float) -> str:
    return "0°" if abs(degrees) < STEP else f"{'+' if degrees > 0 else '−'}{abs(degrees):.1f}°"
