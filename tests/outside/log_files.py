"""Dyno logs in layouts as loggers and dynos write them, invented: names, units, separators, preambles, clocks.

Each writes the same pull in its own way, with numbers rounded as such files have them. Units by NIST SP 811: 1 lbf ft =
1.355818 N m, 1 psi = 6.894757 kPa, 1 inHg = 3.38639 kPa, 1 kgf m = 9.80665 N m.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

LBF_FT, PSI, IN_HG, KGF_M = 1.355818, 6.894757, 3.38639, 9.80665


@dataclass(frozen=True, eq=False)
class Pull:
    """A pull: seconds, rpm, N m, kPa, percent, and both phases in crank degrees from rest, (n,) each."""

    time: np.ndarray
    rpm: np.ndarray
    torque: np.ndarray
    load: np.ndarray
    throttle: np.ndarray
    intake: np.ndarray
    exhaust: np.ndarray


@dataclass(frozen=True)
class Layout:
    """A way to write a pull: the file's name, its bytes, and the keys of [torque] that a person states for it."""

    name: str
    write: Callable[[Pull], bytes]
    columns: dict[str, str]
    torque: dict[str, Any] = field(default_factory=dict)
    file: str = "pull.csv"


ORDER = ("time", "rpm", "torque", "load", "throttle", "intake_phase", "exhaust_phase")


def _columns(*names: str) -> dict[str, str]:
    return dict(zip(ORDER, names, strict=True))


def _rows(pull: Pull, formats: Sequence[str], scale: Sequence[float], delimiter: str, decimal: str = ".") -> list[str]:
    values = (pull.time, pull.rpm, pull.torque, pull.load, pull.throttle, pull.intake, pull.exhaust)
    scaled = [np.asarray(value) * by for value, by in zip(values, scale, strict=True)]
    rows = zip(*scaled, strict=True)
    return [delimiter.join(f"{v:{f}}".replace(".", decimal) for v, f in zip(row, formats, strict=True)) for row in rows]


FINE = (".3f", ".0f", ".2f", ".2f", ".1f", ".2f", ".2f")
PLAIN = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)


def _text(*lines: str, end: str = "\n", encoding: str = "utf-8") -> bytes:
    return (end.join(lines) + end).encode(encoding)


def units_in_brackets(pull: Pull) -> bytes:
    head = "Time [s],Engine Speed [rpm],Torque [Nm],MAP [kPa],Throttle [%],Cam In [°CA],Cam Ex [°CA]"
    return _text(head, *_rows(pull, FINE, PLAIN, ","))


def semicolons_and_decimal_commas(pull: Pull) -> bytes:
    head = ("Zeit;Drehzahl;Drehmoment;Saugrohrdruck;Drosselklappe;NW Einlass;NW Auslass", "s;1/min;Nm;mbar;%;°;°")
    return _text(*head, *_rows(pull, FINE, (1, 1, 1, 10, 1, 1, 1), ";", ","), end="\r\n", encoding="cp1252")


def tabs_under_a_preamble(pull: Pull) -> bytes:
    head = (
        "Cell 2", "Operator\tN. N.", "Start time\t2:05:33 PM", "Run\t17", "",
        "t\tN\tTQ\tMAP\tTPS\tVIN\tVEX", "sec\tRPM\tlb-ft\tinHg\t%\tdeg\tdeg",
    )  # fmt: skip
    return _text(*head, *_rows(pull, FINE, (1, 1, 1 / LBF_FT, 1 / IN_HG, 1, 1, 1), "\t"))


def columns_of_blanks(pull: Pull) -> bytes:
    rows = _rows(pull, ("9.3f", "9.1f", "9.2f", "9.2f", "9.1f", "9.2f", "9.2f"), PLAIN, " ")
    return _text("     TIME       RPM    TORQUE       MAP       TPS       INT       EXH", *rows)


def utf16_by_the_clock(pull: Pull) -> bytes:
    seconds = 36_300.0 + pull.time
    clocks = [f"{int(s // 3600):02}:{int(s % 3600 // 60):02}:{s % 60:06.3f}" for s in seconds.tolist()]
    rows = [row.partition("\t")[2] for row in _rows(pull, FINE, PLAIN, "\t")]
    return _text(
        "Time of day\tRevs\tTorque\tBoost abs\tPedal\tCam A\tCam B",
        *(f"{clock}\t{row}" for clock, row in zip(clocks, rows, strict=True)),
        encoding="utf-16",
    )


def quoted_with_remarks(pull: Pull) -> bytes:
    rows = ['"' + row.replace(",", '","') + '",' for row in _rows(pull, FINE, PLAIN, ",")]
    head = '"Time","RPM","Torque","MAP","TPS","VVT 1","VVT 2",'
    return _text(head, *rows[:100], "# fan on", *rows[100:], "End of recording")


def milliseconds_and_psi(pull: Pull) -> bytes:
    head = "time_ms,rpm,torque_lbft,map_psi,tps,vvt_in,vvt_ex"
    formats = (".0f", ".0f", ".3f", ".3f", ".1f", ".2f", ".2f")
    return _text(head, *_rows(pull, formats, (1000, 1, 1 / LBF_FT, 1 / PSI, 1, 1, 1), ","))


def dates_and_times(pull: Pull) -> bytes:
    rows = [row.partition(",")[2] for row in _rows(pull, FINE, PLAIN, ",")]
    stamps = [f"2026-05-03T09:59:{s:06.3f}" if s < 60 else f"2026-05-03T10:00:{s - 60:06.3f}" for s in 50.0 + pull.time]
    return _text("timestamp,rpm,torque,map,tps,in,ex", *(f"{at},{row}" for at, row in zip(stamps, rows, strict=True)))


def kilogram_metres_and_bar(pull: Pull) -> bytes:
    """Retard as +, from 5 at rest, on the exhaust; the intake in cam degrees."""
    turned = Pull(pull.time, pull.rpm, pull.torque, pull.load, pull.throttle, pull.intake / 2, 5.0 - pull.exhaust)
    rows = _rows(turned, (".2f", ".0f", ".3f", ".4f", ".0f", ".2f", ".2f"), (1, 1, 1 / KGF_M, 0.01, 1, 1, 1), ";")
    return _text("T;REV;TRQ;P;THR;INT.CAM;EXH.CAM", "s;rpm;kgf m;bar;%;deg;deg", *rows, end="\r")


def slow_channels_blank_between(pull: Pull) -> bytes:
    """Pressure and phases at every fifth row, as loggers write channels of several rates into one table."""
    rows = []
    for number, row in enumerate(_rows(pull, FINE, PLAIN, ",")):
        cells = row.split(",")
        rows.append(",".join(cells if number % 5 == 0 else [*cells[:3], "", cells[4], "", ""]))
    return _text("Time,RPM,Torque,MAP,TPS,In,Ex", *rows)


READ = (
    Layout("units in brackets", units_in_brackets, _columns(
        "Time [s]", "Engine Speed [rpm]", "Torque [Nm]", "MAP [kPa]", "Throttle [%]", "Cam In [°CA]", "Cam Ex [°CA]")),
    Layout("semicolons and decimal commas", semicolons_and_decimal_commas, _columns(
        "Zeit", "Drehzahl", "Drehmoment", "Saugrohrdruck", "Drosselklappe", "NW Einlass", "NW Auslass")),
    Layout("tabs under a preamble", tabs_under_a_preamble, _columns("t", "N", "TQ", "MAP", "TPS", "VIN", "VEX"),
           file="run 17.txt"),
    Layout("columns of blanks", columns_of_blanks, _columns("TIME", "RPM", "TORQUE", "MAP", "TPS", "INT", "EXH"),
           file="pull.prn"),
    Layout("UTF-16 by the clock", utf16_by_the_clock, _columns(
        "Time of day", "Revs", "Torque", "Boost abs", "Pedal", "Cam A", "Cam B")),
    Layout("quoted with remarks", quoted_with_remarks, _columns(
        "Time", "RPM", "Torque", "MAP", "TPS", "VVT 1", "VVT 2")),
    Layout("milliseconds and psi", milliseconds_and_psi, _columns(
        "time_ms", "rpm", "torque_lbft", "map_psi", "tps", "vvt_in", "vvt_ex")),
    Layout("dates and times", dates_and_times, _columns("timestamp", "rpm", "torque", "map", "tps", "in", "ex")),
    Layout("kilogram-metres and bar", kilogram_metres_and_bar, _columns(
        "T", "REV", "TRQ", "P", "THR", "INT.CAM", "EXH.CAM"),
        {"phases": {"intake": {"sign": 1, "zero": 0.0, "in": "cam deg"},
                    "exhaust": {"sign": -1, "zero": 5.0, "in": "crank deg"}}}),
    Layout("slow channels blank between", slow_channels_blank_between, _columns(
        "Time", "RPM", "Torque", "MAP", "TPS", "In", "Ex")),
)  # fmt: skip

_SHORT = _columns("Time", "RPM", "Torque", "MAP", "TPS", "In", "Ex")
_HEAD = "Time,RPM,Torque,MAP,TPS,In,Ex"


def _changed(head: str, formats: Sequence[str], scale: Sequence[float]) -> Callable[[Pull], bytes]:
    return lambda pull: _text(head, *_rows(pull, formats, scale, ","))


def _points_as_thousands(pull: Pull) -> bytes:
    """2.000 is two thousand here, and two elsewhere."""
    rows = _rows(pull, (".0f", ",.0f", ".0f", ".0f", ".0f", ".0f", ".0f"), PLAIN, ";")
    return _text(_HEAD.replace(",", ";"), *(row.replace(",", ".") for row in rows))


def _thousands(pull: Pull) -> bytes:
    rows = [row.split(",") for row in _rows(pull, FINE, PLAIN, ",")]
    return _text(_HEAD, *(",".join([r[0], f'"{int(r[1]):,}"', *r[2:]]) for r in rows))


# Refused: the layout, and the words of the fix, which a person needs to do just that.
REFUSED = (
    (Layout("marks of thousands", _thousands, _SHORT), ("marks of thousands",)),
    (Layout("points that may be thousands", _points_as_thousands, _SHORT), ("decimal =", "torque.dialect")),
    (Layout("gauge pressure", _changed(
        _HEAD.replace("MAP", "MAP [psig]"), FINE, (1, 1, 1, 0.001, 1, 1, 1)), _SHORT | {"load": "MAP [psig]"}),
     ("absolute pressure",)),
    (Layout("pressure in another unit", _changed(_HEAD, FINE, (1, 1, 1, 0.01, 1, 1, 1)), _SHORT),
     ("torque.units.load", "bar")),
    (Layout("turns in thousands", _changed(
        _HEAD, (".3f", ".3f", ".2f", ".2f", ".1f", ".2f", ".2f"), (1, 0.001, 1, 1, 1, 1, 1)), _SHORT), ("rpm",)),
    (Layout("a name spelt otherwise", _changed(_HEAD.replace("Torque", "Torque Nm"), FINE, PLAIN), _SHORT),
     ("Torque Nm",)),
    (Layout("a name twice", _changed(_HEAD.replace("TPS", "MAP"), FINE, PLAIN), _SHORT), ("name of its own",)),
    (Layout("a unit that contradicts the project", _changed(
        _HEAD.replace("Torque", "Torque [lbf ft]"), FINE, (1, 1, 1 / LBF_FT, 1, 1, 1, 1)),
        _SHORT | {"torque": "Torque [lbf ft]"}, {"units": {"torque": "N m"}}), ("torque.units.torque",)),
    (Layout("a unit that nobody knows", lambda pull: _text(
        _HEAD, "s,rpm,Tq units,kPa,%,deg,deg", *_rows(pull, FINE, PLAIN, ",")), _SHORT),
     ("torque =", "[torque.units]")),
    (Layout("a preamble that says corrected", _changed(
        "Correction factor: SAE 1.031\n" + _HEAD, FINE, (1, 1, 1.031, 1, 1, 1, 1)), _SHORT),
     ("line 1", 'already_corrected = "SAE J1349" or "SAE J607"')),
    (Layout("one cam degree taken for one of the crank", _changed(
        _HEAD.replace("In", "In [cam deg]"), FINE, (1, 1, 1, 1, 1, 0.5, 1)), _SHORT | {"intake_phase": "In [cam deg]"}),
     ("cam deg",)),
    (Layout("a logger's own format", lambda pull: np.asarray(pull.rpm).tobytes(), _SHORT), ("export",)),
)  # fmt: skip
