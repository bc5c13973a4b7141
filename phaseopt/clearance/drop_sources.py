"""The valve drop of a project: every source read, held against the others, and made into one law.

Each source alone makes a law, and all together make one, weighted by their stated errors. Where a source stands off
what the others say by more than chance allows it, nothing is averaged away: the lowest of all the laws counts and it
is said, and beyond `OUTLIER` standard deviations it is refused. Readings that follow no law count by steps
(`drop_steps.py`).
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from phaseopt.clearance.allowances import WIDEST_WHEEL
from phaseopt.clearance.drop import COVERAGE_SIGMAS, DropLaw
from phaseopt.clearance.drop_carried import carried, carry_of
from phaseopt.clearance.drop_fit import Evidence, Fit, laws_of, solve
from phaseopt.clearance.drop_sheet import Sheet, read_sheets, refuse_one_sided
from phaseopt.clearance.drop_single import CamError, KnownFactor, Single, clay_drop, from_geometry, reading_at_tdc
from phaseopt.engine.cam_card import card_least
from phaseopt.engine.camshaft import camshaft_of
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import SIDES, Drop, Project, Side
from phaseopt.values.arrays import BoolArray
from phaseopt.values.display_units import METRIC, Unit
from phaseopt.values.errors import InputError, Mistake, all_found

OUTLIER = 3.5  # standard deviations from a fit made without the measurement
MOST_OUTLIERS = 0.25  # of the readings; beyond, they contradict each other
LARGEST = 25.0  # mm at TDC; no valve has so much room
READ = 25.0  # crank degrees from TDC within which readings are held against each other
NEARBY = 10.0  # crank degrees from TDC, about where valve and piston come nearest (common practice)
MIRRORED = 3.0, 2.0  # standard deviations: two wheel zeros that differ by more, and less once one is turned round


def drop_laws(project: Project) -> dict[Side, DropLaw]:
    """The valve drop of both kinds of valve, held against each other.

    Both sheets are read on one crank. Where their wheel zeros differ and would agree if one sheet's angles had the
    other sign, either that sheet is mirrored or the wheel was set anew in between: it is said, and the lower counts.
    Raises `InputError` as `drop_law` does.
    """
    laws = dict(zip(SIDES, all_found(*(partial(drop_law, project, side) for side in SIDES)), strict=True))
    read = [laws[side] for side in SIDES if laws[side].readings is not None and not _sittings(laws[side])]
    noted = {
        side: replace(law, notes=(*law.notes, *_if_mirrored(law, project.display_units.gap)))
        for side, law in laws.items()
    }
    if len(read) < len(SIDES):
        return noted
    wheels = [law.wheel for law in read]
    sigma = math.hypot(*(math.sqrt(law.covariance[-1, -1]) for law in read))
    if abs(wheels[0] - wheels[1]) <= MIRRORED[0] * sigma or abs(wheels[0] + wheels[1]) > MIRRORED[1] * sigma:
        return noted
    note = (
        f"the intake readings put TDC at {wheels[0]:+.1f}° on the wheel and the exhaust readings at {wheels[1]:+.1f}°: "
        "unless the wheel was moved in between, one sheet has before and after TDC exchanged; the lower drop of "
        "both ways counts"
    )
    return {
        side: replace(law, also=(*law.also, _mirrored(law)), notes=(*law.notes, note)) for side, law in laws.items()
    }


def _mirrored(law: DropLaw) -> DropLaw:
    """The law with before and after TDC exchanged on its sheet."""
    return replace(law, wheel=-law.wheel, steps=law.steps.mirrored() if law.steps is not None else None, also=())


def _on_wheel(law: DropLaw, read: DropLaw) -> DropLaw:
    """A law as the wheel shows it that the cam was degreed in on; one without readings of its own, which is at true
    crank angles, with the zero that the readings show."""
    if law.readings is not None:
        return replace(law, same_wheel=True)
    covariance = law.covariance.copy()
    covariance[-1, -1] = read.covariance[-1, -1]
    return replace(law, wheel=read.wheel, covariance=covariance, same_wheel=True)


def _sittings(law: DropLaw) -> bool:
    return law.readings is not None and len(law.readings.files) > 1


def drop_law(project: Project, side: Side) -> DropLaw:
    """The valve drop of one kind of valve, from all that the project gives.

    Parameters: `project`; `side`, "intake" or "exhaust".
    Raises `InputError`, naming file and line or key: what `read_sheets` refuses; readings that do not fit, unless
    the project accepts them; readings that contradict each other; a wheel zero beyond what wheel_error allows; a
    cylinder that is not there; dimensions that leave no drop; sources that contradict
    each other.
    """
    drop: Drop = getattr(project.drop, side)
    change = carry_of(project)
    crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
    crank = crank if change is None else change.then
    sheet = read_sheets(drop, crank, project.file, f"drop.{side}")
    singles, known = _singles(project, side, crank)
    _refuse_cylinders(project, side, sheet, singles)
    law = law_of(Evidence(crank, project.cam(side).tilt, drop, sheet, None, singles, known), project, side)
    law = law if change is None else carried(law, change, project, side)
    read = project.cam(side).degree_in
    if read is not None and read.same_wheel and len(sheet.files if sheet is not None else ()) == 1:
        law = replace(_on_wheel(law, law), also=tuple(_on_wheel(other, law) for other in law.also))
    floor = (
        () if known is not None or law.steps is not None else ("pocket floor assumed no steeper than the valve head",)
    )
    return replace(law, notes=(*law.notes, *floor, *_cylinder_notes(law, project.cylinders, project.display_units.gap)))


def law_of(evidence: Evidence, project: Project | None = None, side: Side = "intake") -> DropLaw:
    """The law from everything measured. `project` and `side` are for messages."""
    unit = (METRIC if project is None else project.display_units).gap
    evidence, notes = _fitting(evidence, unit)
    notes = (*notes, *_worked_out(evidence.singles))
    parts = dict(_parts(evidence))
    together, fit = _law(evidence)
    if len(parts) == 1:
        return replace(together, notes=(*notes, *_unknown_notes(evidence)))
    alone = {name: _law(part)[0] for name, part in parts.items()}
    outliers = _outliers(fit, evidence)
    each = ", ".join(f"{name} {_in_words(law, unit)}" for name, law in alone.items())
    worst = max(outliers, key=lambda name: outliers[name])
    if evidence.stepped:
        lowest = f"sources, each by itself at TDC: {each}; the lowest of all counts"
        return replace(together, also=(*together.also, *alone.values()), alone=alone, notes=(*notes, lowest))
    if outliers[worst] > OUTLIER:
        raise InputError.one(
            f"the sources of the {side} drop contradict each other at TDC: {each}; {worst} is off "
            f"by {outliers[worst]:.1f} times its likely error",
            hint="measure again what is out, or take it out; where one is less sure than stated, state its error",
            file=project.file if project is not None else None,
            where=f"drop.{side}",
        )
    notes = (*notes, f"sources, each by itself at TDC: {each}", *_unknown_notes(evidence))
    off = [name for name, off in outliers.items() if off > COVERAGE_SIGMAS]
    if off:
        notes = (
            *notes,
            f"{' and '.join(off)} {'differ' if len(off) > 1 else 'differs'} from the other sources by more than "
            "measuring errors explain: the lowest of all counts",
        )
        together = replace(together, also=(*together.also, *alone.values()))
    return replace(together, alone=alone, notes=notes)


def _law(evidence: Evidence) -> tuple[DropLaw, Fit]:
    """The law with k fitted, or where nothing shows it with k at its least, and its most as another possible law."""
    if evidence.sheet is not None or evidence.known_factor is not None:
        fits = [solve(evidence), *_steeper(evidence)]
    else:
        ends = evidence.k_range if any(single.angle for single in evidence.singles) else evidence.k_range[:1]
        fits = [solve(evidence, hold=k) for k in ends]
    laws = [law for fit in fits for law in laws_of(evidence, fit)]
    return replace(laws[0], also=tuple(laws[1:])), fits[0]


def _steeper(evidence: Evidence) -> Iterator[Fit]:
    """The fit with a floor steeper than the valve head, where readings ask for one and no dimension says otherwise."""
    if evidence.sheet is None or evidence.known_factor is not None or evidence.stepped or evidence.steeper:
        return
    fit = solve(replace(evidence, steeper=True))
    c = len(fit.cylinders)
    if fit.factor + math.sqrt(fit.covariance[c, c]) < evidence.k_range[0]:
        yield fit


def _parts(evidence: Evidence) -> Iterator[tuple[str, Evidence]]:
    """What each source says by itself."""
    if evidence.sheet is not None:
        yield "readings", replace(evidence, singles=(), known_factor=None)
    for name in dict.fromkeys(single.source for single in evidence.singles):
        own = tuple(single for single in evidence.singles if single.source == name)
        known = evidence.known_factor if name == "geometry" else None
        without = replace(evidence, sheet=None, used=None, stepped=False, steeper=False)
        yield name, replace(without, singles=own, known_factor=known)


def _outliers(fit: Fit, evidence: Evidence) -> dict[str, float]:
    """How far each source but the readings stands off everything else, in standard errors, by its worst measurement."""
    found: dict[str, float] = {}
    for single, off in zip(evidence.singles, fit.outliers.tolist(), strict=True):
        found[single.source] = max(off, found.get(single.source, 0.0))
    if evidence.known_factor is not None and evidence.sheet is not None:
        found["geometry"] = max(found["geometry"], fit.k_outlier)
    return found


def _worked_out(singles: tuple[Single, ...]) -> Iterator[str]:
    """How each was worked out; of several cylinders, that of the least drop at one angle."""
    for source in dict.fromkeys(single.source for single in singles):
        least = min((single for single in singles if single.source == source), key=lambda single: single.drop)
        yield f"{source}: {least.words}"


def _in_words(law: DropLaw, unit: Unit) -> str:
    where = f", cylinder {law.worst}" if len(law.cylinders) > 1 else ""
    return f"{unit.text(law.at_tdc.min())} ({unit.down_beside(float(law.low(0.0)))} counted{where})"


def _unknown_notes(evidence: Evidence) -> tuple[str, ...]:
    if evidence.sheet is not None or evidence.known_factor is not None:
        return ()
    names = {single.source for single in evidence.singles}
    if names == {"at_tdc"}:
        return ("one reading at TDC: the drop off TDC follows from the valve's tilt, at its least",)
    return ("nothing shows how fast the drop grows from TDC: the worst that the valve's tilt allows counts",)


def _if_mirrored(law: DropLaw, unit: Unit) -> Iterator[str]:
    """What the drop loses if before and after TDC were exchanged, where the wheel's zero lets it matter.

    A drop is nearly the same on both sides of TDC, so a single sheet cannot show it.
    """
    if law.readings is None or abs(law.wheel) <= COVERAGE_SIGMAS * math.sqrt(law.covariance[-1, -1]):
        return
    less = law.factor * float(law.crank.drop(NEARBY) - law.crank.drop(NEARBY - abs(law.wheel)))
    yield (
        f"the wheel shows TDC at {law.wheel:+.1f}°: check that crank_deg is negative before TDC. If it is not, there "
        f"is up to {unit.text(less)} less {NEARBY:g}° from TDC"
    )


def _cylinder_notes(law: DropLaw, cylinders: int, unit: Unit) -> Iterator[str]:
    measured = sorted({*law.cylinders, *(c for other in law.also for c in other.cylinders)})
    if len(measured) > 1:
        low = law.low_by_cylinder(0.0)
        most = law.cylinders[int(low.argmax())]
        yield (
            f"cylinder {law.worst} counts, it has the least: at least {unit.down_text(low.min())} at TDC, "
            f"where cylinder {most} has {unit.down_beside(low.max())}"
        )
    if len(measured) < cylinders:
        named = ", ".join(map(str, measured))
        yield f"measured on cylinder {named} of {cylinders}; the others are assumed to have no less"


def _singles(project: Project, side: Side, crank: SliderCrank) -> tuple[tuple[Single, ...], KnownFactor | None]:
    drop, cam = getattr(project.drop, side), project.cam(side)
    unit, errors = project.display_units.gap, (cam.tilt, drop.gauge_error, drop.wheel_error)
    found = [reading_at_tdc(crank, number, value, *errors, unit) for number, value in _numbered(drop, drop.at_tdc)]
    if drop.clay is not None:
        fitted, card = camshaft_of(project, side), cam.card
        least = None if card is None else partial(card_least, card, cam.ratios, cam.lash)
        angle = cam.centreline_error + cam.spread_most + (card.flank_error if card is not None else 0.0)
        error = CamError(angle, cam.lift_error, least)
        for number, thickness in _numbered(drop, drop.clay.thickness):
            found.append(clay_drop(crank, fitted, number, thickness, drop.clay, error, unit))
    known = None
    if drop.geometry is not None:
        single, known = from_geometry(drop.geometry, drop.cylinder, cam.head, cam.tilt, unit)
        if single.drop <= 0:
            raise InputError.one(
                f"by these dimensions the closed valve would stand {-single.drop:.2f} mm inside the piston at TDC",
                hint="check signs and units of deck, gasket, recession, pocket_depth and pocket_angle",
                file=project.file,
                where=f"drop.{side}.geometry",
            )
        found.append(single)
    for single in found:
        at_tdc = single.drop - float(crank.drop(single.angle))
        if at_tdc > LARGEST:
            raise InputError.one(
                f"{at_tdc:.1f} mm is no valve drop at TDC",
                hint="give everything in mm, or with its unit",
                file=project.file,
                where=f"drop.{side}.{single.source}",
            )
    return tuple(found), known


def _numbered(drop: Drop, values: tuple[float, ...]) -> list[tuple[int, float]]:
    """Cylinder and value: a single one is of the cylinder stated, a list is of cylinders 1, 2, 3, ..."""
    return [(drop.cylinder, values[0])] if len(values) == 1 else list(enumerate(values, start=1))


def _refuse_cylinders(project: Project, side: Side, sheet: Sheet | None, singles: tuple[Single, ...]) -> None:
    if sheet is not None and sheet.cylinder.max() > project.cylinders:
        row = int(sheet.cylinder.argmax())
        file, line = sheet.place(row)
        raise InputError.one(
            f"cylinder {sheet.cylinder[row]} of an engine with {project.cylinders}",
            hint="number cylinders from 1, or correct cylinders in the project file",
            file=file,
            where=line,
        )
    for single in singles:
        if single.cylinder > project.cylinders:
            raise InputError.one(
                f"{single.source} names cylinder {single.cylinder} of an engine with {project.cylinders}",
                hint="one value for each cylinder, or a single value and the cylinder it was measured on",
                file=project.file,
                where=f"drop.{side}",
            )


def _fitting(evidence: Evidence, unit: Unit) -> tuple[Evidence, tuple[str, ...]]:
    """How the readings count: by the law; by the law with high ones left out, where the project accepts that; by steps.

    A low reading always counts. A high one that the other side of TDC does not show either is refused.
    """
    sheet, errors = evidence.sheet, evidence.errors
    if sheet is None:
        return evidence, ()
    used: BoolArray = np.ones(len(sheet.angle), dtype=np.bool_)
    readings = replace(evidence, singles=(), known_factor=None)
    fit = solve(replace(readings, used=used))
    while (worst := np.abs(np.where(used, fit.standardised, 0.0))).max() > OUTLIER and _may_leave_out(used):
        used[int(worst.argmax())] = False
        fit = solve(replace(readings, used=used))
    followed = np.abs(np.where(used, fit.standardised, 0.0)).max() <= OUTLIER
    out = np.flatnonzero(~used).tolist()
    if (out or not followed) and evidence.known_factor is None:
        everything = replace(readings, used=np.ones_like(used), steeper=True)
        if np.abs((fit_of_all := solve(everything)).standardised).max() <= OUTLIER:
            _refuse_wheel(sheet, fit_of_all, errors)
            return replace(evidence, used=everything.used, steeper=True), (
                f"the drop grows {fit_of_all.factor:.3f} times as fast as the piston falls, slower than over a floor "
                "parallel to the valve head: a steeper floor counts",
            )
    high = followed and all(fit.residual[i] > 0 for i in out)
    one_sided = len({sheet.angle[i] > 0 for i in out if sheet.angle[i]}) < 2
    if out and high and one_sided and not errors.accept_outliers:
        raise InputError(
            Mistake(
                f"crank_deg {sheet.angle[i]:g} reads {sheet.drop[i]:g} mm, {abs(fit.residual[i]):.2f} mm more than "
                "the others say",
                "read that angle again, or set accept_outliers = true to leave it out",
                *sheet.place(i),
            )
            for i in out
        )
    if not followed or (out and not (high and errors.accept_outliers)):
        return _by_steps(evidence, out, unit)
    refuse_one_sided(sheet, used)
    _refuse_wheel(sheet, fit, errors)
    notes = tuple(
        f"{sheet.words(i)} ({sheet.drop[i]:g} mm at {sheet.angle[i]:g}°) is "
        f"{unit.signed_text(fit.residual[i])} off the others and left out, as the project accepts"
        for i in out
    )
    return replace(evidence, used=used), notes


def _may_leave_out(used: BoolArray) -> bool:
    """Whether one more reading may be left out: at most a quarter."""
    return bool(np.count_nonzero(~used) < max(1, int(MOST_OUTLIERS * used.size)))


def _by_steps(evidence: Evidence, out: list[int], unit: Unit) -> tuple[Evidence, tuple[str, ...]]:
    """The readings by steps, with a note on what that costs; `out` those that fit the law least."""
    sheet, errors = evidence.sheet, evidence.errors
    assert sheet is not None
    _refuse_falling(sheet, errors)
    stepped = replace(evidence, stepped=True)
    alone = replace(stepped, singles=(), known_factor=None)
    fit = solve(alone)
    _refuse_wheel(sheet, fit, errors)
    law = laws_of(alone, fit)[0]
    between = np.linspace(max(sheet.angle.min(), -READ), min(sheet.angle.max(), READ), 401)
    less = law.fitted(between) - law.low(between)
    at = int(less.argmax())
    lines = ", ".join(map(sheet.words, out))
    return stepped, (
        f"the readings follow no slider-crank law ({lines}): of two readings the one nearer TDC counts between them, "
        f"up to {unit.text(less[at])} below a curve through them, {between[at]:+.0f}° from TDC; a reading every 1° or "
        "2° there wins most of it back",
    )


def _refuse_falling(sheet: Sheet, errors: Drop) -> None:
    """Refuse readings that fall away from TDC too often: no crown without overhang does that."""
    chance = OUTLIER * math.sqrt(2.0) * errors.gauge_error
    falling = np.zeros(len(sheet.angle), dtype=np.bool_)
    for i, (angle, drop) in enumerate(zip(sheet.angle, sheet.drop, strict=True)):
        same = (sheet.sitting == sheet.sitting[i]) & (sheet.cylinder == sheet.cylinder[i])
        nearer = same & (sheet.angle * np.sign(angle) < abs(angle)) & (sheet.angle * np.sign(angle) > 0)
        falling[i] = bool((sheet.drop[nearer] > drop + chance).any())
    if np.count_nonzero(falling) > 1:
        raise _contradicting(sheet, ~falling, errors)


def _contradicting(sheet: Sheet, used: BoolArray, errors: Drop) -> InputError:
    out = np.flatnonzero(~used)
    file, where = sheet.place(int(out[0]))
    others = f" ({', '.join(sheet.words(int(i)) for i in out)})" if len(out) > 1 else ""
    return InputError.one(
        f"the readings contradict each other{others}: they fall away from TDC by more than gauge_error "
        f"{errors.gauge_error:g} mm allows, where the piston only makes room",
        hint="take the readings again; if the gauge is less sure than that, state its gauge_error",
        file=file,
        where=where,
    )


def _refuse_wheel(sheet: Sheet, fit: Fit, errors: Drop) -> None:
    for sitting, wheel in enumerate(fit.wheels.tolist()):
        if abs(wheel) > WIDEST_WHEEL * errors.wheel_error:
            raise InputError.one(
                f"the readings put TDC at {wheel:+.1f}° on the wheel, where wheel_error {errors.wheel_error:g}° allows "
                f"{WIDEST_WHEEL * errors.wheel_error:g}°",
                hint="find TDC again with a positive stop, check the sign of crank_deg, or state the wheel_error it "
                "had",
                file=sheet.files[sitting],
                where=sheet.span(sitting),
            )
