"""Sheets of drop readings: read, and refused where they cannot be what a dial gauge and a degree wheel showed.

A sheet is a CSV with `crank_deg` (degrees after gas-exchange TDC, before it negative), `drop_mm` (from the seat along
the valve's axis until it meets the piston) and, where several cylinders were measured, `cylinder`. Each file is a
sitting of its own: the degree wheel may have been set anew. Readings typed into the project file are one more.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.engine.crank import SliderCrank
from phaseopt.io.columns import Columns, place_of, read_columns
from phaseopt.project import Drop
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError

FEWEST = 5  # readings of a sitting; practice is seven, every 5° from 15° before TDC to 15° after
FEWEST_A_SIDE = 2  # of them before TDC, and after it
FARTHEST = 90.0  # crank degrees from TDC; beyond, a reading was not counted from gas-exchange TDC
LARGEST = 100.0  # mm; no valve has so far to go near TDC
RISE = 0.7, 1.4  # drop's rise over the piston's fall; k lies between cos 60° and its inverse only on paper
_SPREAD = 0.3  # mm of piston travel between two readings that show the rise
_AS_IT_MUST = 0.25  # of the rises from one reading to the next; a wrong unit leaves none (judgement)
_TO_READ = "read every 5° from 15° before TDC (negative) to 15° after"


@dataclass(frozen=True, eq=False)
class Sheet:
    """Readings of one or more sittings in one run: arrays (n,); `sitting` is the number of the file, from 0.

    `keys` has the key of readings that stand in the project file, for each sitting.
    """

    files: tuple[Path, ...]
    sitting: IntArray
    line: IntArray
    cylinder: IntArray
    angle: FloatArray
    drop: FloatArray
    keys: tuple[str, ...] = ("",)

    def place(self, i: int) -> tuple[Path, str]:
        """File and line of a reading."""
        return self.files[self.sitting[i]], place_of(self.keys[self.sitting[i]], int(self.line[i]))

    def words(self, i: int) -> str:
        """The same in a sentence."""
        file, where = self.place(i)
        return where if self.keys[self.sitting[i]] else f"{where} of {file.name}"

    def span(self, sitting: int) -> str:
        """The lines of a sitting, in words."""
        lines = self.line[self.sitting == sitting].tolist()
        return place_of(self.keys[sitting], lines[0], lines[-1])


def read_sheets(drop: Drop, crank: SliderCrank, project: Path, key: str) -> Sheet | None:
    """The readings a project names or holds, under a `key` of its file; None where there are none.

    Raises `InputError`, naming file and line: what `read_columns` refuses; drops not above zero; angles twice, out
    of order, without a sign or not counted from TDC; too few readings or on one side of TDC only; drops that fall away
    from TDC or rise at another rate than the piston falls.
    """
    tables = [read_columns(file, required=("crank_deg", "drop_mm"), optional=("cylinder",)) for file in drop.readings]
    if drop.around_tdc:
        angles, drops = (np.array(column) for column in zip(*drop.around_tdc, strict=True))
        entries = list(range(1, len(angles) + 1))
        tables.append(Columns(project, entries, {"crank_deg": angles, "drop_mm": drops}, f"{key}.around_tdc"))
    if not tables:
        return None
    return sheet_of(tables, crank, drop.cylinder)


def sheet_of(tables: list[Columns], crank: SliderCrank, cylinder: int = 1) -> Sheet:
    """The readings of files already read; `cylinder` is the one of a file without that column."""
    cylinders = [_cylinders(columns, cylinder) for columns in tables]
    for columns, own in zip(tables, cylinders, strict=True):
        _refuse_impossible(columns, own)
        _refuse_wrong_rise(columns, own, crank)
    sheet = Sheet(
        tuple(columns.path for columns in tables),
        np.concatenate([np.full(len(own), i) for i, own in enumerate(cylinders)]),
        np.concatenate([np.array(columns.lines) for columns in tables]),
        np.concatenate(cylinders),
        np.concatenate([columns["crank_deg"] for columns in tables]),
        np.concatenate([columns["drop_mm"] for columns in tables]),
        tuple(columns.key for columns in tables),
    )
    _refuse_twice(sheet)
    refuse_one_sided(sheet, np.ones(len(sheet.angle), dtype=np.bool_))
    return sheet


def _refuse_twice(sheet: Sheet) -> None:
    """Refuse readings copied: two sittings count as taken apart, and lessen each other's error."""
    rows = np.column_stack([sheet.cylinder, sheet.angle, sheet.drop])
    seen: dict[bytes, int] = {}
    for number in range(len(sheet.files)):
        first = seen.setdefault(rows[sheet.sitting == number].tobytes(), number)
        if first != number:
            raise InputError.one(
                f"has the same readings as {sheet.keys[first] or sheet.files[first].name}",
                hint="keep one of them; readings taken twice are never quite alike",
                file=sheet.files[number],
                where=sheet.span(number),
            )


def refuse_one_sided(sheet: Sheet, used: BoolArray) -> None:
    """Refuse a sitting whose readings in use cannot separate the wheel's zero from the drop."""
    for number, file in enumerate(sheet.files):
        angle = sheet.angle[used & (sheet.sitting == number)]
        if len(angle) < FEWEST:
            raise InputError.one(
                f"{len(angle)} readings that can be used, {FEWEST} are needed",
                hint=_TO_READ,
                file=file,
                where=sheet.keys[number],
            )
        for side, count in (("before", np.count_nonzero(angle < 0)), ("after", np.count_nonzero(angle > 0))):
            if count < FEWEST_A_SIDE:
                raise InputError.one(
                    f"{count} of {len(angle)} readings {'is' if count == 1 else 'are'} {side} TDC, so the wheel's zero "
                    "cannot be separated from the drop",
                    hint=_TO_READ,
                    file=file,
                    where=sheet.span(number),
                )


def _cylinders(columns: Columns, otherwise: int) -> IntArray:
    if "cylinder" not in columns:
        return np.full(len(columns["drop_mm"]), otherwise, dtype=np.int64)
    for row, number in enumerate(columns["cylinder"]):
        if number != round(number) or number < 1:
            raise columns.error(row, f"cylinder {number:g} is not a cylinder", "number cylinders 1, 2, 3, ...")
    return columns["cylinder"].astype(np.int64)


def _refuse_impossible(columns: Columns, cylinder: IntArray) -> None:
    angle, drop = columns["crank_deg"], columns["drop_mm"]
    for row in np.flatnonzero(drop <= 0)[:1]:
        raise columns.error(
            int(row),
            f"drop_mm {drop[row]:g} is not above zero",
            "give the valve's travel from its seat until it meets the piston, counted positive",
        )
    for row in np.flatnonzero(drop > LARGEST)[:1]:
        raise columns.error(
            int(row),
            f"drop_mm {drop[row]:g} is no valve drop near TDC",
            f"give mm, below {LARGEST:g}; for thousandths call the column drop_thou",
        )
    for row in np.flatnonzero(np.abs(angle) > FARTHEST)[:1]:
        raise columns.error(
            int(row),
            f"crank_deg {angle[row]:g} is more than {FARTHEST:g} degrees from TDC",
            "count from gas-exchange TDC, before it negative: 345 is -15",
        )
    for number in np.unique(cylinder):
        rows = np.flatnonzero(cylinder == number)
        own = Columns(columns.path, [columns.lines[i] for i in rows], {"crank_deg": angle[rows]}, columns.key)
        _refuse_unsigned(own)
        own.require_increasing("crank_deg")


def _refuse_unsigned(columns: Columns) -> None:
    """15, 10, 5, 0, 5, 10, 15: both sides of TDC without a sign, named as what it is."""
    angle = columns["crank_deg"]
    turn = int(np.abs(angle).argmin())
    sides = angle[:turn], angle[turn + 1 :]
    if min(map(len, sides)) == 0 or angle.min() < 0 < angle.max():
        return
    away = np.abs(angle)
    if (np.diff(away[: turn + 1]) < 0).all() and (np.diff(away[turn:]) > 0).all():
        sign = "-" if angle.max() > 0 else "+"
        raise columns.error(
            0 if sign == "-" else turn + 1,
            "crank_deg comes down to TDC and goes away from it again with the same sign",
            "count crank_deg before TDC negative, after it positive",
        )


def _refuse_wrong_rise(columns: Columns, cylinder: IntArray, crank: SliderCrank) -> None:
    """Drop must rise as the piston falls: the median over pairs of readings (Theil and Sen), which no outlier moves.

    Over an edge of a pocket it jumps, and rises as it must between some of the readings.
    """
    fall, drop = crank.drop(columns["crank_deg"]), columns["drop_mm"]
    i, j = np.triu_indices(len(drop), 1)
    progress = (np.abs(fall[j] - fall[i]) > _SPREAD) & (cylinder[i] == cylinder[j])
    if not progress.any():
        return
    rises = (drop[j] - drop[i]) / np.where(progress, fall[j] - fall[i], 1.0)
    rise, next_to = float(np.median(rises[progress])), progress & (j == i + 1)
    as_it_must = np.mean((RISE[0] <= rises[next_to]) & (rises[next_to] <= RISE[1])) if next_to.any() else 0.0
    where = place_of(columns.key, columns.lines[0], columns.lines[-1])
    if rise < 0:
        raise InputError.one(
            "drop_mm falls away from TDC, where the piston makes room and it must rise: its sign is reversed",
            hint="give the travel from the seat until the valve meets the piston, not what the gauge shows when it has",
            file=columns.path,
            where=where,
        )
    if not RISE[0] <= rise <= RISE[1] and as_it_must < _AS_IT_MUST:
        raise InputError.one(
            f"drop_mm rises {rise:.2f} times as fast as the piston falls, where it must be about once",
            hint="check crank_deg (crank, not cam degrees), drop_mm (in mm), crank.stroke and crank.rod",
            file=columns.path,
            where=where,
        )
