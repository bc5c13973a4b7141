"""The valve drop by crank angle, so that a gap can be worked out by hand: drop less lift at the same angle."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from phaseopt.clearance.drop import DropLaw
from phaseopt.project import Side
from phaseopt.report.document import Table, table
from phaseopt.values.display_units import Unit

ANGLES = np.arange(-30.0, 31.0, 5.0)  # crank degrees after TDC; practice reads the middle of it
FITTED, USED = "as fitted", "used"


def drop_rows(law: DropLaw) -> dict[str, list[float]]:
    """Drop in mm at `ANGLES`: as fitted, as used (the cylinder with the least, less measuring error), by each source.

    Fitted angles are as the wheel showed them; used is the least whether the wheel was right or not.
    """
    rows = {FITTED: law.fitted(ANGLES), USED: law.low(ANGLES)}
    rows |= {f"{name} alone": alone.fitted(ANGLES) for name, alone in law.alone.items()}
    return {name: row.tolist() for name, row in rows.items()}


def drop_table(laws: Mapping[Side, DropLaw], unit: Unit) -> Table:
    """Drops by angle as a table in a unit of lengths, each side's beside each other, what is used rounded down."""
    columns = [
        (side, name, [unit.down(each) if name == USED else unit.number(each) for each in values])
        for side, law in laws.items()
        for name, values in drop_rows(law).items()
    ]
    rows = [(f"{angle:.0f}", *(values[n] for *_, values in columns)) for n, angle in enumerate(ANGLES)]
    groups = tuple((side, sum(each == side for each, *_ in columns)) for side in laws)
    found = table(f"Valve drop, {unit.name}", ("° after TDC", *(name for _, name, _ in columns)), rows)
    return replace(found, groups=groups)


def drop_words(law: DropLaw, unit: Unit) -> str:
    """How a valve drop is known, in one line."""
    at_tdc = float(law.at_tdc.min() if law.steps is None else law.fitted(0.0))
    words = f"{unit.text(at_tdc)} at TDC, {unit.down_text(float(law.low(0.0)))} used, after measuring error"
    if law.readings is None:
        return words
    if law.steps is not None:
        return f"{words}; by steps, since the {law.readings.used.size} readings follow no slider-crank law"
    worst = float(np.abs(law.readings.residual[law.readings.used]).max())
    return (
        f"{words}. {int(law.readings.used.sum())} readings fit to {unit.text(worst)}; wheel zero {law.wheel:+.1f}°. "
        f"Drop grows {law.factor:.3f} times as fast as the piston falls"
    )
