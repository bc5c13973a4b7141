"""Contact limits, as text for a person."""

from phaseopt.clearance.full_travel import FullTravel
from phaseopt.clearance.limits import Limits, SafeBox
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.overlap_caps import caps_words
from phaseopt.clearance.rules import CLEAR, HITS, TIGHT
from phaseopt.project import SIDES, Project
from phaseopt.report.drop_table import drop_table
from phaseopt.report.faults import fault_lines
from phaseopt.report.verdicts import BEFORE_TURNING, capital, folded


def limits_summary(model: ContactModel, limits: Limits) -> str:
    """What `phaseopt limits` prints: clamps, limits by speed, full travel, what is not covered."""
    lines = [f"{model.project.name}: contact limits up to {model.top_speed:.0f} rpm", ""]
    lines += ["Clamps that are safe as a whole (any phase in them with any other, moving, up to that speed):"]
    lines += [f"  {box_words(model.project, box)}" for box in limits.boxes]
    lines += ["", "By engine speed, crank degrees of phase (+ = advanced):", ""]
    lines += _clamp_table(model, limits)
    lines += ["", capital(limits.full_travel.sentence), *_guard(model.project, limits.full_travel)]
    lines += ["Faults:", *(f"  {line}" for line in fault_lines(limits.faults))]
    lines += _stated_drops(model)
    lines += [f"Note: {note}" for note in notes_of_limits(model)]
    lines += [f"Not covered: {', '.join(model.not_covered)}", "", BEFORE_TURNING]
    return folded(lines, 2)


def limits_verdict(model: ContactModel, limits: Limits) -> str:
    """The clamps that are safe as a whole, and full travel, in one line."""
    clamps = " or ".join(box_words(model.project, box) for box in limits.boxes)
    travel = limits.full_travel.verdict
    words = {CLEAR: "is CLEAR", TIGHT: "is TIGHT", HITS: "HITS"}[travel]
    return f"{model.project.name}: safe as a whole up to {model.top_speed:.0f} rpm: {clamps}; full travel {words}"


def limits_notes(model: ContactModel) -> list[str]:
    """What goes with limits wherever they are written."""
    return [BEFORE_TURNING, f"Not covered: {', '.join(model.not_covered)}."]


def notes_of_limits(model: ContactModel) -> list[str]:
    """What the limits rest on, and what they leave to the search."""
    return [*model.notes, *_of_caps(model.project)]


def _of_caps(project: Project) -> list[str]:
    if not project.search.overlap_cap:
        return []
    return [
        f"overlap caps ({caps_words(project)}) are no matter of contact: clamps do not keep them, the search "
        "does, cell by cell"
    ]


def box_words(project: Project, box: SafeBox) -> str:
    """A safe box in words, only the cams that move.

    Returns for instance "intake 0 to 27°, exhaust -21 to 0°".
    """
    if project.arrangement == "together":
        return f"both cams {box.intake_from:g} to {box.intake_to:g}°"
    spans = {"intake": (box.intake_from, box.intake_to), "exhaust": (box.exhaust_from, box.exhaust_to)}
    moving = [side for side in SIDES if project.phaser_of(side) is not None]
    return ", ".join(f"{side} {spans[side][0]:g} to {spans[side][1]:g}°" for side in moving)


def _clamp_table(model: ContactModel, limits: Limits) -> list[str]:
    sides = [side for side in SIDES if model.project.phaser_of(side) is not None]
    sides = sides[:1] if model.tied else sides
    head = "     rpm" + "".join(f" | {side + ' alone':>14}  {'together':>9}  {'stopped by':<18}" for side in sides)
    lines = [head, "-" * len(head)]
    for r, rpm in enumerate(limits.alone.rpm):
        line = f"{rpm:8.0f}"
        for side in sides:
            end = "to" if side == "intake" else "from"
            alone, together = (getattr(c, f"{side}_{end}")[r] for c in (limits.alone, limits.together))
            edge = getattr(limits.together, f"{side}_limited_by")[r]
            line += f" | {alone:>14g}  {together:>9g}  {edge:<18}"
        lines.append(line)
    ends = {"intake": "most advanced", "exhaust": "most retarded"}
    return [*lines, "  (" + "; ".join(f"{side}: {ends[side]}" for side in sides) + ")"]


def _stated_drops(model: ContactModel) -> list[str]:
    """What the drop readings say, with the notes that go with them."""
    lines, unit = [], model.project.display_units.gap
    for side, drop in model.drops.items():
        text = f"{unit.text(drop.at_tdc.min())} at TDC as fitted, {unit.down(float(drop.low(0.0)))} counted"
        if drop.readings is not None:
            worst = abs(drop.readings.residual[drop.readings.used]).max()
            text += (
                f"; {int(drop.readings.used.sum())} readings fit to {unit.text(worst)}, wheel zero {drop.wheel:+.1f}°, "
                f"the drop grows {drop.factor:.3f} times as fast as the piston falls"
            )
        lines += [f"Valve drop, {side}: {text}", *drop_table(drop, unit)]
    return lines


def _guard(project: Project, travel: FullTravel) -> list[str]:
    if travel.verdict == CLEAR:
        return []
    if project.gap.tables_only_guard:
        return ["  The tables are the only guard, as the project accepts (tables_only_guard = true)."]
    return ["  The project does not accept tables as the only guard, so `phaseopt build` will stop."]
