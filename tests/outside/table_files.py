"""Invented phase tables, written the way controllers and spreadsheets commonly write them, each with its true meaning.

Every form, name and number here is invented; what is common (separators, units, headings in six languages of the trade)
is common practice, no source. Nothing of the package is imported: this file knows only what a file holds, what its
numbers truly mean, and whether a person with the file and the phaser's travel in hand could read it without doubt.

`table_files(seed)` makes 200 of them. Each is of one of three kinds:

- `readable`: side, degrees, sign and rest are written in the file, or only one meaning fits the phaser;
- `open`: something is not written, and more than one meaning fits. Its truth is one of them;
- `wrong`: nobody should take its numbers as phases of the cam it is given for (another cam's, another quantity's, or
  words that contradict each other).
"""

import csv
import io
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Cam = Literal["intake", "exhaust"]
Kind = Literal["readable", "open", "wrong"]


@dataclass(frozen=True)
class Engine:
    """What a person knows of the engine: travel [crank degrees from rest, + = advanced], the speed up to which the
    phasers are locked at rest, redline and top speed, and the centrelines at rest as the cams are fitted."""

    name: str
    travel: dict[Cam, tuple[float, float]]
    rest_until: float
    redline: float
    top_speed: float
    nominal: dict[Cam, float]
    offset: dict[Cam, float]

    def rest_centreline(self, cam: Cam) -> float:
        """True centreline at rest: intake after TDC, exhaust before it."""
        return self.nominal[cam] + (self.offset[cam] if cam == "exhaust" else -self.offset[cam])


ENGINES = (
    Engine(
        "rest at an end", {"intake": (0.0, 45.0), "exhaust": (-40.0, 0.0)}, 1200, 8000, 9000,
        {"intake": 108.0, "exhaust": 108.0}, {"intake": -12.0, "exhaust": 10.0},
    ),
    Engine(
        "rest in mid-travel", {"intake": (-15.0, 30.0), "exhaust": (-25.0, 20.0)}, 0, 7600, 8400,
        {"intake": 110.0, "exhaust": 112.0}, {"intake": 0.0, "exhaust": 0.0},
    ),
)  # fmt: skip


@dataclass(frozen=True)
class TableFile:
    """A file, what it truly holds, and what a person could make of it.

    `phases` (R, L) are crank degrees from rest, + = advanced; for clamps (R, 2), least and most. `given_as` is the cam
    for which somebody hands it over.
    """

    name: str
    data: bytes
    kind: Kind
    form: str
    engine: Engine
    given_as: Cam
    rpm: FloatArray
    load: FloatArray | None
    phases: FloatArray


@dataclass(frozen=True)
class Tongue:
    """Words of the trade in one language."""

    cams: dict[Cam, tuple[str, ...]]
    advance: tuple[str, ...]
    retard: tuple[str, ...]
    crank: tuple[str, ...]
    cam: tuple[str, ...]
    titles: tuple[str, ...]  # {cam}, {way}, {deg}
    plain: tuple[str, ...]  # titles that say the cam alone
    speed: tuple[str, ...]
    load: str
    equals: tuple[str, ...]  # {way}: what + means
    rest: tuple[str, ...]  # {zero}: what rest reads


TONGUES = {
    "English": Tongue(
        {"intake": ("Intake", "Inlet", "INTAKE", "Int"), "exhaust": ("Exhaust", "EXHAUST", "Exh")},
        ("advance", "Advance", "advanced", "ADV"),
        ("retard", "Retard", "retarded", "RET"),
        ("crank degrees", "crank deg", "deg crank", "°crank", "crankshaft degrees", "degrees at the crank", "CRANK DEG",
         "crank °", "degrees of crank"),
        ("cam degrees", "cam deg", "deg cam", "°cam", "camshaft degrees", "degrees at the cam", "CAM DEG", "cam °",
         "degrees of cam"),
        ("{cam} {way} ({deg})", "{cam} cam {way}, {deg}", "{cam} cam timing: {way} in {deg}",
         "{cam} phaser target, {way} [{deg}]", "{cam} VVT {way} [{deg}]", "{cam} cam table - {way} from rest in {deg}"),
        ("{cam} cam phase", "{cam} cam timing", "{cam} camshaft angle", "{cam} VVT target", "{cam} table 2"),
        ("rpm", "RPM", "Engine speed (rpm)", "Engine RPM"),
        "Load",
        ("+ = {way}", "positive = {way}", "{way} positive", "positive values {way}", "{way} is +"),
        ("rest = {zero}", "{zero} = rest", "{zero} at rest", "rest reads {zero}", "parked at {zero}",
         "locked at {zero}"),
    ),
    "German": Tongue(
        {"intake": ("Einlass", "Einlaß", "Einlaßnockenwelle"), "exhaust": ("Auslass", "Auslaß", "Auslassnockenwelle")},
        ("früh", "Frühverstellung", "nach früh"),
        ("spät", "Spätverstellung", "nach spät"),
        ("°KW", "Grad KW", "Grad Kurbelwelle", "Kurbelwellengrad", "° KW"),
        ("°NW", "Grad NW", "Grad Nockenwelle", "Nockenwellengrad", "° NW"),
        ("{cam} {way} [{deg}]", "{cam} Verstellung {way} in {deg}", "Kennfeld {cam}, {way}, {deg}"),
        ("{cam} Verstellung", "Kennfeld {cam}"),
        ("U/min", "1/min", "Drehzahl [U/min]", "Drehzahl"),
        "Last",
        ("+ = {way}", "positiv = {way}", "positive Werte {way}"),
        ("Ruhelage = {zero}", "{zero} = Ruhelage", "{zero} in Ruhelage", "Grundstellung {zero}"),
    ),
    "French": Tongue(
        {"intake": ("Admission", "ADMISSION"), "exhaust": ("Échappement", "Echappement")},
        ("avance", "Avance"),
        ("retard", "Retard"),
        ("degrés vilebrequin", "° vilebrequin", "degrés vilo", "deg vilebrequin"),
        ("degrés arbre à cames", "° arbre à cames", "degrés AAC", "°AAC"),
        ("{cam}, {way} en {deg}", "{way} {cam} ({deg})", "Déphasage {cam} : {way}, {deg}"),
        ("Déphasage {cam}", "AAC {cam}"),
        ("tr/min", "Régime (tr/min)", "Régime moteur"),
        "Charge",
        ("+ = {way}", "positif = {way}"),
        ("repos = {zero}", "{zero} = repos", "{zero} au repos"),
    ),
    "Italian": Tongue(
        {"intake": ("Aspirazione",), "exhaust": ("Scarico",)},
        ("anticipo", "Anticipo"),
        ("ritardo", "Ritardo"),
        ("gradi albero motore", "gradi motore", "° albero motore"),
        ("gradi albero a camme", "gradi camma", "° camma"),
        ("{way} {cam} ({deg})", "{cam}: {way} in {deg}", "Fasatura {cam}, {way}, {deg}"),
        ("Fasatura {cam}", "Variatore {cam}"),
        ("giri/min", "Giri", "giri motore"),
        "Carico",
        ("+ = {way}", "positivo = {way}"),
        ("riposo = {zero}", "{zero} = riposo", "{zero} a riposo"),
    ),
    "Spanish": Tongue(
        {"intake": ("Admisión", "Admision"), "exhaust": ("Escape",)},
        ("avance", "adelanto"),
        ("retraso", "retardo", "Retraso"),
        ("grados de cigüeñal", "grados cigüeñal", "° cigüeñal"),
        ("grados de árbol de levas", "grados de leva", "° árbol de levas"),
        ("{way} {cam} ({deg})", "{cam}: {way} en {deg}", "Calado {cam}, {way}, {deg}"),
        ("Calado {cam}", "Variador {cam}"),
        ("rpm", "Régimen (rpm)", "r.p.m."),
        "Carga",
        ("+ = {way}", "positivo = {way}"),
        ("reposo = {zero}", "{zero} = reposo", "{zero} en reposo"),
    ),
    "Japanese": Tongue(
        {"intake": ("Kyuki",), "exhaust": ("Haiki",)},
        ("shinkaku",),
        ("chikaku",),
        ("kuranku kaku", "kuranku kaku do"),
        ("kamu kaku", "kamu kaku do"),
        ("{cam} kamu {way} ({deg})", "{cam} {way} [{deg}]"),
        ("{cam} kamu ichi", "{cam} VVT"),
        ("rpm", "kaiten (rpm)", "kaitensu"),
        "fuka",
        ("+ = {way}",),
        ("{zero} = rest",),
    ),
}  # fmt: skip

LOADS = {  # unit: what a table runs over
    "kPa": (30.0, 100.0), "mbar": (300.0, 1000.0), "bar": (0.3, 1.0), "psi": (4.0, 15.0), "inHg": (9.0, 30.0),
    "%": (10.0, 100.0), "% throttle": (0.0, 100.0), "mg/stroke": (100.0, 600.0),
}  # fmt: skip


@dataclass(frozen=True)
class Shape:
    """How the text is laid out."""

    delimiter: str
    decimal: str
    across: bool  # engine speed across
    rpm_falls: bool
    load_falls: bool
    thousands: bool  # speeds in thousands, said so
    encoding: str
    line_end: str
    trailing: bool
    padded: bool  # lines of words filled up with empty cells, as a spreadsheet saves them
    quoted: bool
    plus: bool  # "+5"
    decimals: int | None
    label_column: bool
    suffixed: bool  # "30 kPa" in the breakpoints
    sep_line: bool
    marks: bool  # "1,000"
    comment: str


def table_files(seed: int = 2026, count: int = 200) -> list[TableFile]:
    """`count` files: seven in ten readable, two open, one wrong."""
    rng = np.random.default_rng(seed)
    kinds: list[Kind] = ["readable"] * 7 + ["open"] * 2 + ["wrong"]
    makers = {"readable": _readable, "open": _open, "wrong": _wrong}
    return [makers[kinds[k % 10]](rng, k) for k in range(count)]


def _pick(rng: np.random.Generator, options: tuple[str, ...] | list[str]) -> str:
    return options[int(rng.integers(len(options)))]


def _chance(rng: np.random.Generator, share: float) -> bool:
    return bool(rng.random() < share)


# What numbers mean.


@dataclass(frozen=True)
class Count:
    """number = zero + sign × phase / degree."""

    sign: int
    zero: float
    degree: float  # crank degrees in one of the file's

    def phases(self, numbers: FloatArray) -> FloatArray:
        return self.sign * (numbers - self.zero) * self.degree + 0.0

    def numbers(self, phases: FloatArray) -> FloatArray:
        return self.zero + self.sign * phases / self.degree


@dataclass(frozen=True)
class Draft:
    """A table before it is written."""

    engine: Engine
    cam: Cam
    count: Count
    rpm: FloatArray
    load: FloatArray
    unit: str
    numbers: FloatArray


def _draft(rng: np.random.Generator, engine: Engine, cam: Cam, count: Count) -> Draft:
    """A smooth map of phases, at rest where the phaser is locked, most of it to the longer side of the travel."""
    speeds = np.arange(500.0, engine.top_speed + 1, float(_pick(rng, ["500", "750", "1000"])))
    rpm = speeds[speeds >= 750][: int(rng.integers(6, 17))]
    rpm = np.append(rpm[:-1], float(rng.integers(int(engine.redline), int(engine.top_speed) + 1) // 100 * 100))
    if count.zero:
        rpm = np.append(rpm, 1000.0)
    rpm = np.unique(rpm)
    unit = _pick(rng, list(LOADS))
    low, high = LOADS[unit]
    load = np.unique(np.round(np.linspace(low, high, int(rng.integers(3, 9))), 0 if high > 20 else 1))
    low, high = engine.travel[cam]
    longer = high if high > -low else low
    reach = longer * float(rng.uniform(0.35, 0.95))
    bump = np.sin(np.pi * (np.arange(rpm.size) + 1.0) / (rpm.size + 1.0))
    phases = reach * np.outer(bump, np.linspace(0.2, 1.0, load.size))
    if min(high, -low) > 0 and _chance(rng, 0.6):  # to the other side too
        shorter = low if longer == high else high
        phases[-1] = shorter * 0.6 * np.linspace(0.3, 1.0, load.size)
    step = float(_pick(rng, ["0.5", "1", "1"]))
    moved = np.round((phases / count.degree) / step) * step * count.degree
    moved[rpm <= engine.rest_until] = 0.0
    moved = np.clip(moved, low, high)
    return Draft(engine, cam, count, rpm, load, unit, count.numbers(moved))


# How they are written.


def _shape(rng: np.random.Generator, words: str) -> Shape:
    delimiter = _pick(rng, [",", ";", "\t"])
    comma = delimiter != "," and _chance(rng, 0.5)
    plain = words.isascii()
    encodings = ["utf-8", "utf-8", "utf-8-sig"] + ([] if plain else ["cp1252"])
    encoding = "utf-16" if delimiter == "\t" and _chance(rng, 0.2) else _pick(rng, encodings)
    return Shape(
        delimiter, "," if comma else ".", _chance(rng, 0.4), _chance(rng, 0.2), _chance(rng, 0.2), _chance(rng, 0.15),
        encoding, _pick(rng, ["\r\n", "\n"]), _chance(rng, 0.15), _chance(rng, 0.4), _chance(rng, 0.15),
        _chance(rng, 0.1), [None, None, 1, 2][int(rng.integers(4))], _chance(rng, 0.08), _chance(rng, 0.1),
        _chance(rng, 0.05), _chance(rng, 0.04), _pick(rng, ["", "", "", "# ", "// "]),
    )  # fmt: skip


def _number(value: float, shape: Shape, *, phase: bool = False) -> str:
    value = round(float(value), 6) + 0.0
    text = (
        f"{value:.{shape.decimals}f}"
        if phase and shape.decimals is not None
        else f"{value:.6f}".rstrip("0").rstrip(".")
    )
    if phase and shape.decimals is not None and abs(float(text) - value) > 1e-9:
        text = f"{value:.6f}".rstrip("0").rstrip(".")
    return ("+" if phase and shape.plus and value > 0 else "") + text.replace(".", shape.decimal)


@dataclass(frozen=True)
class Words:
    """What is written around the numbers, and where: lines above, the corner's own words, a line of units, below."""

    above: tuple[str, ...] = ()
    corner: str = ""
    units: str = ""
    below: tuple[str, ...] = ()
    name: str = "table"
    speed: str = "rpm"
    load: str = "Load"


def _written(rng: np.random.Generator, draft: Draft, shape: Shape, words: Words) -> bytes:
    rpm, load, numbers = draft.rpm, draft.load, draft.numbers
    if shape.rpm_falls:
        rpm, numbers = rpm[::-1], numbers[::-1]
    if shape.load_falls:
        load, numbers = load[::-1], numbers[:, ::-1]
    speeds = [_number(each / (1000.0 if shape.thousands else 1.0), shape) for each in rpm]
    if shape.marks and not shape.thousands:
        mark = "," if shape.decimal == "." else "."
        speeds = [f"{each:,.0f}".replace(",", mark) for each in rpm]
    loads = [_number(each, shape) for each in load]
    speed = words.speed + _pick(rng, [" x 1000", " x1000", " × 1000"]) * shape.thousands
    unit = draft.unit
    if shape.suffixed:
        loads = [f"{each} {unit}" for each in loads]
    down, across, cells = (loads, speeds, numbers.T) if shape.across else (speeds, loads, numbers)
    names = (f"{words.load} ({unit})", speed) if shape.across else (speed, f"{words.load} ({unit})")
    corner = words.corner or _pick(
        rng,
        [f"{names[0]} \\ {names[1]}", f"{names[0]}\\{names[1]}", f"{names[0]} / {names[1]}", names[0], ""],
    )
    width = 1 + len(across)
    rows: list[list[str]] = [["sep=" + shape.delimiter]] if shape.sep_line else []
    above = list(words.above)
    said = corner + " ".join(above)
    if (shape.thousands and speed not in said) or (not corner and _chance(rng, 0.7)):
        above.append(
            f"Rows: {names[0]}, columns: {names[1]}" if _chance(rng, 0.5) else f"{names[0]} down {names[1]} across"
        )
    for line in above:
        rows.append([shape.comment + line] + [""] * ((width - 1) * shape.padded))
    if above and _chance(rng, 0.3):
        rows.append([""] * (width * shape.padded))
    rows.append([corner, *across])
    if words.units:
        rows.append(["", *[words.units] * len(across)])
    rows += [[at, *[_number(cell, shape, phase=True) for cell in row]] for at, row in zip(down, cells, strict=True)]
    if shape.label_column:
        first = next(k for k, row in enumerate(rows) if row[1:] == across)
        rows = [[names[0] if k == first + 1 else "", *row] if k >= first else row for k, row in enumerate(rows)]
    rows += [[line] for line in words.below]
    out = io.StringIO(newline="")
    quoting = csv.QUOTE_ALL if shape.quoted else csv.QUOTE_MINIMAL
    writer = csv.writer(out, delimiter=shape.delimiter, lineterminator=shape.line_end, quoting=quoting)
    for row in rows:
        if row and row[0].startswith("sep="):
            out.write(row[0] + shape.line_end)
        else:
            writer.writerow([*row, *([""] if shape.trailing and len(row) > 1 else [])])
    return out.getvalue().encode(shape.encoding, errors="replace")


def _file(
    rng: np.random.Generator, draft: Draft, words: Words, kind: Kind, form: str, given_as: Cam | None = None
) -> TableFile:
    shape = _shape(rng, "".join([*words.above, words.corner, words.units, *words.below, words.speed]))
    phases = draft.count.phases(draft.numbers)
    data = _written(rng, draft, shape, words)
    ending = ".csv" if shape.delimiter != "\t" else ".txt"
    return TableFile(
        words.name + ending, data, kind, form, draft.engine, given_as or draft.cam, draft.rpm, draft.load, phases
    )


def _file_name(rng: np.random.Generator, words: str) -> str:
    """Words as a file name: with underscores, hyphens, or run together with capitals."""
    parts = [part for part in "".join(c if c.isalnum() else " " for c in words).split() if part]
    way = int(rng.integers(3))
    if way == 2:
        return "".join(part.capitalize() for part in parts)
    return ("_", "-")[way].join(part.lower() for part in parts)


# Readable files.


def _readable(rng: np.random.Generator, k: int) -> TableFile:
    makers = (
        _plain_heading,
        _plain_heading,
        _spread_words,
        _spread_words,
        _file_named,
        _with_zero,
        _centrelines,
        _clamps,
    )
    return makers[(k // 10 * 7 + k % 10) % len(makers)](rng)


def _meant(rng: np.random.Generator, engine: Engine, cam: Cam) -> Count:
    """Sign and degrees as somebody may count; 0 at rest."""
    low, high = engine.travel[cam]
    natural = 1 if high >= -low else -1
    sign = natural if _chance(rng, 0.75) else -natural
    return Count(sign, 0.0, 2.0 if _chance(rng, 0.45) else 1.0)


def _setting(rng: np.random.Generator) -> tuple[Engine, Cam, Count, str, Tongue]:
    engine = ENGINES[int(_chance(rng, 0.35))]
    cam: Cam = "intake" if _chance(rng, 0.5) else "exhaust"
    name = _pick(rng, ["English"] * 5 + list(TONGUES)[1:])
    return engine, cam, _meant(rng, engine, cam), name, TONGUES[name]


def _way(rng: np.random.Generator, tongue: Tongue, count: Count) -> str:
    return _pick(rng, tongue.advance if count.sign == 1 else tongue.retard)


def _degrees(rng: np.random.Generator, tongue: Tongue, count: Count) -> str:
    return _pick(rng, tongue.cam if count.degree == 2.0 else tongue.crank)


def _rest_words(rng: np.random.Generator, engine: Engine, tongue: Tongue, count: Count) -> tuple[str, ...]:
    """Where rest is in mid-travel and nothing is locked, 0 may be rest or an end, so it has to be said."""
    said = engine.rest_until == 0
    return (_pick(rng, tongue.rest).format(zero=f"{count.zero:g}"),) if said else ()


def _named_kind(draft: Draft) -> Kind:
    """Readable, unless a "retard" of -20 may be 20 retarded: where the phaser can do both."""
    low, _ = draft.engine.travel[draft.cam]
    negative = draft.numbers.max() <= 0.0 and draft.count.sign == -1
    return "open" if negative and draft.numbers.min() * draft.count.degree >= low else "readable"


def _plain_heading(rng: np.random.Generator) -> TableFile:
    engine, cam, count, language, tongue = _setting(rng)
    title = _pick(rng, tongue.titles).format(
        cam=_pick(rng, tongue.cams[cam]), way=_way(rng, tongue, count), deg=_degrees(rng, tongue, count)
    )
    words = Words(
        (title, *_rest_words(rng, engine, tongue, count)), speed=_pick(rng, tongue.speed), load=tongue.load,
        name=_pick(rng, ["table", "map 3", "export", "cams_v12"]),
    )  # fmt: skip
    draft = _draft(rng, engine, cam, count)
    return _file(rng, draft, words, _named_kind(draft), f"{language} heading")


def _spread_words(rng: np.random.Generator) -> TableFile:
    """Cam in a title, sign and degrees apart: in the corner, a line of units, lines of keys, or below the table."""
    engine, cam, count, language, tongue = _setting(rng)
    plain = _pick(rng, tongue.plain).format(cam=_pick(rng, tongue.cams[cam]))
    deg, way = _degrees(rng, tongue, count), _way(rng, tongue, count)
    equals, rest = _pick(rng, tongue.equals).format(way=way), _rest_words(rng, engine, tongue, count)
    speed, place = _pick(rng, tongue.speed), int(rng.integers(5))
    if place == 0:
        words = Words((plain, equals, *rest), units=deg, speed=speed, load=tongue.load)
    elif place == 1:
        words = Words((plain, *rest), corner=f"{speed} | {deg}, {equals}", speed=speed, load=tongue.load)
    elif place == 2:
        words = Words((plain,), below=(f"{deg}, {equals}", *rest), speed=speed, load=tongue.load)
    elif place == 3:
        keys = (f"Name: {plain}", f"Unit: {deg}", f"Sign: {equals}", *(f"Note: {each}" for each in rest))
        words = Words(keys, speed=speed, load=tongue.load)
    else:
        words = Words((f"{plain} [{deg}] {equals}", *rest), speed=speed, load=tongue.load)
    return _file(rng, _draft(rng, engine, cam, count), words, "readable", f"{language}, words apart ({place})")


def _file_named(rng: np.random.Generator) -> TableFile:
    """All or part of the meaning in the file's name."""
    engine, cam, count, _, _ = _setting(rng)
    tongue = TONGUES["English"]
    deg = "cam degrees" if count.degree == 2.0 else "crank degrees"
    way, side = ("advance" if count.sign == 1 else "retard"), ("intake", "inlet")[int(rng.integers(2))]
    side = side if cam == "intake" else "exhaust"
    rest = _rest_words(rng, engine, tongue, count)
    whole = _chance(rng, 0.6)
    name = _file_name(rng, f"{side} {way} {deg}" if whole else f"{side} {way}")
    above = rest if whole else (f"All values in {deg}", *rest)
    words = Words(above, name=name, units="deg" if whole and _chance(rng, 0.5) else "")
    draft = _draft(rng, engine, cam, count)
    return _file(rng, draft, words, _named_kind(draft), "file name")


def _with_zero(rng: np.random.Generator) -> TableFile:
    """Rest reads something else than 0, and the file says what."""
    engine, cam, count, language, tongue = _setting(rng)
    low, high = engine.travel[cam]
    if _chance(rng, 0.3):  # 0 at an end of the travel
        end = low if count.sign == 1 else high
        zero = -count.sign * end / count.degree + 0.0
        count, said = Count(count.sign, zero, count.degree), "0 = fully " + ("retarded" if end == low else "advanced")
        tongue, language = TONGUES["English"], "English"
    else:
        count = Count(count.sign, float(rng.choice([4.0, 10.0, 12.5, 20.0, -5.0, 50.0])), count.degree)
        said = _pick(rng, tongue.rest).format(zero=f"{count.zero:g}")
    title = _pick(rng, tongue.titles).format(
        cam=_pick(rng, tongue.cams[cam]), way=_way(rng, tongue, count), deg=_degrees(rng, tongue, count)
    )
    if " from rest" in title:
        title = title.replace(" from rest", "")
    words = Words((title, said), speed=_pick(rng, tongue.speed), load=tongue.load)
    return _file(rng, _draft(rng, engine, cam, count), words, "readable", f"{language}, rest reads {count.zero:g}")


CENTRES = {
    "English": ("{cam} centreline (degrees {tdc})", "{cam} lobe center, deg {tdc}", "{cam} cam centerline °{tdc}"),
    "German": ("{cam}: Spreizung [°KW {tdc}]", "{cam} Spreizung °KW {tdc}"),
}
TDC = {"English": {"intake": "ATDC", "exhaust": "BTDC"}, "German": {"intake": "nach OT", "exhaust": "vor OT"}}


def _centrelines(rng: np.random.Generator) -> TableFile:
    """The table holds lobe centrelines, crank degrees after or before TDC."""
    engine, cam, _, _, _ = _setting(rng)
    language = _pick(rng, list(CENTRES))
    tongue = TONGUES[language]
    count = Count(-1 if cam == "intake" else 1, engine.rest_centreline(cam), 1.0)
    title = _pick(rng, CENTRES[language]).format(cam=_pick(rng, tongue.cams[cam]), tdc=TDC[language][cam])
    words = Words((title,), speed=_pick(rng, tongue.speed), load=tongue.load)
    return _file(rng, _draft(rng, engine, cam, count), words, "readable", f"{language} centrelines")


CLAMPS = {
    "English": (("from", "to"), ("min", "max"), ("least", "most")),
    "German": (("von", "bis"), ("min", "max")),
    "French": (("de", "à"), ("min", "max")),
    "Italian": (("da", "a"), ("min", "max")),
    "Spanish": (("desde", "hasta"), ("min", "max")),
}


def _clamps(rng: np.random.Generator) -> TableFile:
    """Speed and the least and most that the controller may hold there."""
    engine, cam, count, language, tongue = _setting(rng)
    language = language if language in CLAMPS else "English"
    tongue = TONGUES[language]
    draft = _draft(rng, engine, cam, count)
    ends = np.column_stack([draft.numbers.min(axis=1), draft.numbers.max(axis=1)])
    phases = np.sort(count.phases(ends), axis=1)
    title = _pick(rng, tongue.titles).format(
        cam=_pick(rng, tongue.cams[cam]), way=_way(rng, tongue, count), deg=_degrees(rng, tongue, count)
    )
    above = (title, *_rest_words(rng, engine, tongue, count))
    names = CLAMPS[language][int(rng.integers(len(CLAMPS[language])))]
    delimiter = _pick(rng, [";", "\t"])
    comma = _chance(rng, 0.5)
    rows = [*([line] for line in above), [_pick(rng, tongue.speed), *names]]
    for speed, pair in zip(draft.rpm, ends, strict=True):
        cells = [f"{float(each):g}" for each in (speed, *pair)]
        rows.append([each.replace(".", ",") if comma else each for each in cells])
    text = "\r\n".join(delimiter.join(row) for row in rows) + "\r\n"
    return TableFile(
        "clamps.csv",
        text.encode("utf-8"),
        _named_kind(draft),
        f"{language} clamps",
        engine,
        cam,
        draft.rpm,
        None,
        phases,
    )


# Files in which something is not written.


def _open(rng: np.random.Generator, k: int) -> TableFile:
    engine, cam, count, language, tongue = _setting(rng)
    plain = _pick(rng, tongue.plain).format(cam=_pick(rng, tongue.cams[cam]))
    deg, way = _degrees(rng, tongue, count), _way(rng, tongue, count)
    speed, which = _pick(rng, tongue.speed), int(rng.integers(6))
    name = "table"
    if which == 0:
        above: tuple[str, ...] = (plain,)
    elif which == 1:  # degrees alone
        above = (f"{plain} [{deg}]",)
    elif which == 2:  # sign alone
        above = (f"{plain}, {_pick(rng, tongue.equals).format(way=way)}",)
    elif which == 3:  # the degrees of a camshaft or a crankshaft: CA is either
        above = (f"{plain} [{_pick(rng, ['°CA', 'deg CA', 'degrees', 'deg', '°'])}]",)
    elif which == 4:  # nothing but numbers
        above, name = (), _pick(rng, ["table", "map", "cam1"])
    else:  # rest is another number, which only the rows of the locked phaser show
        engine = ENGINES[0]
        count = Count(count.sign, float(rng.choice([5.0, 10.0])), count.degree)
        above = (f"{plain}, {deg}, {way}",)
    words = Words(above, name=name, speed=speed, load=tongue.load)
    return _file(rng, _draft(rng, engine, cam, count), words, "open", f"{language}, not written ({which})")


# Files that nobody should take.


def _wrong(rng: np.random.Generator, k: int) -> TableFile:
    engine, cam, count, _, _ = _setting(rng)
    tongue = TONGUES["English"]
    other: Cam = "exhaust" if cam == "intake" else "intake"
    deg, way = _degrees(rng, tongue, count), _way(rng, tongue, count)
    crank, cams = _pick(rng, tongue.crank), _pick(rng, tongue.cam)
    side = _pick(rng, tongue.cams[cam])
    which = (k // 10) % 10
    name, given_as = "table", cam
    units = ""
    if which == 0:  # the other cam's
        above: tuple[str, ...] = (f"{_pick(rng, tongue.cams[other])} {way} ({deg})",)
    elif which == 1:  # heading against units
        above, units = (f"{side} {way} ({crank})",), cams
    elif which == 2:  # heading against heading
        above = (f"{side} advance", "positive = retard", deg)
    elif which == 3:
        above = (f"{_pick(rng, ['Ignition advance', 'Spark advance', 'Ignition timing'])} (crank degrees)", side)
    elif which == 4:
        above = (f"{side} {way} ({cams})",)
        name = _file_name(rng, f"{cam} {way} crank degrees")
    elif which == 5:
        above = (f"{side} {way}, {crank}, unit 0.1 deg",)
    elif which == 6:
        above = (f"{side} valve {_pick(rng, ['opening', 'closing'])}, crank degrees BTDC",)
    elif which == 7:  # the other cam's by its name
        above, name = (f"{way} ({deg})",), _file_name(rng, f"{other} {way}")
    elif which == 8:
        above = (f"Zündwinkel {side}", crank)
    else:
        above = (f"{side} {way} in radians",)
    words = Words(above, name=name, units=units)
    return _file(rng, _draft(rng, engine, cam, count), words, "wrong", f"wrong ({which})", given_as)
