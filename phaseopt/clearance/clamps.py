"""Clamps by speed against the limits: each speed, all of them as a box, the full travel; and any pair of files."""

from dataclasses import astuple, dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.check import BoxVerdict, Verdict, box_verdict, check_tables, judged, outside_travel
from phaseopt.clearance.faults import Fault, faults
from phaseopt.clearance.full_travel import FullTravel, full_travel
from phaseopt.clearance.limits import ENDS
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, FLOAT, limiting_rule, margins, running_gaps, without_float
from phaseopt.project import Side
from phaseopt.table_import import ImportedPair, PairReading
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.errors import InputError


@dataclass(frozen=True, eq=False)
class ClampVerdict:
    """What a pair of clamps allows.

    Parameters
    ----------
    contact
        What judged.
    speeds
        Dims rpm (and contact): `intake_from` ... `exhaust_to` (degrees); `static` and `running` gaps, `static_margin`
        and `running_margin`, mm; `verdict`, of any phase of one cam between its clamps with any of the other at that
        speed; `limited_by`, the rule with the least margin.
    box
        All clamps and rest as a box, up to the top speed or the last speed given, whichever is beyond.
    full_travel
        The whole travel of the phasers.
    faults
        What each fault of a phaser would do, the other one anywhere in the clamps. Not counted in the verdict.
    """

    contact: ContactModel
    speeds: xr.Dataset
    box: BoxVerdict
    full_travel: FullTravel
    faults: tuple[Fault, ...]

    @property
    def not_covered(self) -> tuple[str, ...]:
        """What was not looked at, in words."""
        return self.contact.not_covered

    @property
    def clear(self) -> bool:
        """Every speed and the box are clear. Full travel is judged apart."""
        return self.box.verdict == CLEAR and bool((self.speeds["verdict"] == CLEAR).all())

    @property
    def accepted(self) -> bool:
        """As `clear`: clamps have no cells, so no looser rule between them."""
        return self.clear


def check_given(model: ContactModel, phases: PhaseTables | PhaseClamps) -> Verdict | ClampVerdict:
    """Judge tables or clamps."""
    return check_tables(model, phases) if isinstance(phases, PhaseTables) else check_clamps(model, phases)


@dataclass(frozen=True, eq=False)
class PairVerdict:
    """What a pair of files from anywhere does, in every reading of them.

    Attributes
    ----------
    verdict : Verdict or ClampVerdict
        Of the one reading; of several that are all clear, on that with the least margin; else on the first.
    reading : PairReading
        The reading it is of.
    notes : dict
        By cam, how its file was read, and which reading is shown where there are several; sentences.
    """

    verdict: Verdict | ClampVerdict
    reading: PairReading
    notes: dict[Side, tuple[str, ...]]


def check_pair(model: ContactModel, pair: ImportedPair) -> PairVerdict:
    """Judge a pair in every reading: clear means clear in each.

    Parameters
    ----------
    model : ContactModel
    pair : ImportedPair

    Returns
    -------
    PairVerdict

    Raises
    ------
    InputError
        Some readings are clear and others are not: the options that settle it.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.table_import import PairReading
    >>> from phaseopt.tables import rest_tables
    >>> project = load_project("examples/intake_only/project.toml")
    >>> pair = ImportedPair((PairReading(rest_tables(project), {}),), {"intake": (), "exhaust": ()}, {})
    >>> check_pair(contact_model(project), pair).verdict.clear
    True
    """
    verdicts: list[Verdict | ClampVerdict] = []
    for reading in pair.readings:
        verdicts.append(check_given(model, reading.phases))
        if verdicts[-1].accepted != verdicts[0].accepted:
            first, other = pair.readings[0].words, reading.words
            clear, not_clear = (first, other) if verdicts[0].accepted else (other, first)
            raise InputError.one(
                f"can be read in {len(pair.readings)} ways: clear with {clear}; not with {not_clear}",
                hint=f"give {', '.join(pair.settled_by)}, or write it in the file",
                file=next(iter(pair.files.values())),
            )
    tightest = int(np.argmin([_least_margin(verdict) for verdict in verdicts])) if verdicts[0].accepted else 0
    notes = pair.notes
    if len(verdicts) > 1:
        found = "each is clear; the one with the least room" if verdicts[0].accepted else "none is clear; the first"
        words = f"{len(verdicts)} readings are possible: {found} is shown, {pair.readings[tightest].words}"
        notes = {side: (*lines, words) if side in pair.files else lines for side, lines in notes.items()}
    return PairVerdict(verdicts[tightest], pair.readings[tightest], notes)


def _least_margin(verdict: Verdict | ClampVerdict) -> float:
    found = verdict.cells if isinstance(verdict, Verdict) else verdict.speeds
    return min(float(found[name].min()) for name in ("static_margin", "running_margin"))


def check_clamps(model: ContactModel, clamps: PhaseClamps) -> ClampVerdict:
    """Judge clamps by speed, by bound.

    Parameters: `clamps`, any phases at any speeds; a phase outside the travel gets the verdict "outside travel" (or
    "hits" where that is what the geometry says), and so do two different clamps for tied cams.
    """
    boxes = np.column_stack([clamps.intake, clamps.exhaust])
    each = [model.gaps_of(box) for box in boxes]
    static = np.concatenate([gaps.static for gaps in each])
    running = np.concatenate([running_gaps(model, gaps, rpm) for gaps, rpm in zip(each, clamps.rpm, strict=True)])
    margin = margins(model, static, running)
    ends = np.stack([boxes[:, [0, 2]], boxes[:, [1, 3]]], axis=1)
    why = outside_travel(model, ends.reshape(-1, 2)).reshape(-1, 2)
    outside = np.where(why[:, 0] != "", why[:, 0], why[:, 1])
    contact, mm = ("rpm", "contact"), {"units": "mm"}
    held = model.held(clamps.rpm)
    words = without_float(judged(model, static, running, outside != ""), held)
    speeds = xr.Dataset(
        {
            name: ("rpm", boxes[:, k], {"units": "degree", "long_name": f"{name.replace('_', ' ')}, + = advanced"})
            for k, name in enumerate(ENDS)
        }
        | {
            "static": (contact, static, mm | {"long_name": "static clearance, worst case"}),
            "running": (contact, running, mm | {"long_name": "running clearance, worst case"}),
            "static_margin": (contact, margin[:, 0], mm | {"long_name": "static clearance above the minimum"}),
            "running_margin": (contact, margin[:, 1], mm | {"long_name": "running clearance above the reserve"}),
            "verdict": ("rpm", words, {"long_name": "verdict"}),
            "limited_by": (
                "rpm",
                np.where(outside != "", outside, np.where(held, limiting_rule(model, margin), FLOAT)),
                {"long_name": "what limits it"},
            ),
        },
        {
            "rpm": ("rpm", clamps.rpm, {"units": "rpm", "long_name": "engine speed"}),
            "contact": list(model.contacts),
        },
    )
    top = max(model.top_speed, float(clamps.rpm[-1]))
    box = box_verdict(model, ends.reshape(-1, 2), bool((outside != "").any()), top)
    found = faults(model, astuple(box.range), top, "its clamps")
    return ClampVerdict(model, speeds, box, full_travel(model), found)
