"""What a confirming pull says, in sentences and by speed; the entry with which it joins the data."""

import json
import math
from typing import Any

import numpy as np

from phaseopt.job.stages import baseline_name
from phaseopt.project import SIDES
from phaseopt.report.cautions import IN_SHORT, cautions
from phaseopt.report.document import Depth, Document, Section, Snippet, picture, say, table
from phaseopt.report.figures.confirm import confirm_figures
from phaseopt.report.words import sentence
from phaseopt.study.confirm import LEAST_POINTS, Confirmation
from phaseopt.study.phaser_tracking import TRACKING_TOLERANCE, PhaseError

_CAPTIONS = {
    "torque.svg": "Torque at the pull's highest load. The band holds 95 % of such pulls at each speed taken alone: "
    "prediction, the pull's own offset and noise together.",
    "phases.svg": "A phase that is off its table makes another torque, and leaves another clearance.",
}
STATISTIC = (
    "The mean difference by its own 95 % interval. At each speed, the difference less that mean over its deviation: "
    "prediction, scatter and noise together, all speeds jointly. The largest of these against what it stays below in "
    "95 % of pulls where the prediction is right."
)


def verdict_words(found: Confirmation) -> str:
    """The verdict in one sentence."""
    compared = found.differences
    if compared is None:
        return (
            f"TOO FEW POINTS: {np.count_nonzero(found.known)} of the pull's "
            f"{found.known.size} points are inside the tested range, and it takes {LEAST_POINTS}"
        )
    unit = found.project.display_units.torque
    mean = f"on average {unit.signed(compared.mean)} ± {unit.text(compared.mean_within)} against the prediction"
    gained = f"{unit.signed(found.mean_gain)} ± {unit.text(found.mean_gain_within)} over the baseline"
    if found.word == "confirmed":
        return f"CONFIRMED: {mean}. No speed stands out. The gain is there: {gained}"
    if found.word == "inconclusive":
        return (
            f"NO CLEAR GAIN: {mean}, which agrees. But one pull cannot show the gain, {gained}. Make the baseline and "
            "this pull again, in turn"
        )
    rpm = found.points["rpm"].to_numpy()[found.known]
    parts = [mean]
    if compared.less.any():
        parts.append(
            f"At {_speeds(rpm[compared.less])} rpm it makes less than predicted, compared with the rest of the pull"
        )
    if compared.more.any():
        parts.append(
            f"At {_speeds(rpm[compared.more])} rpm it makes more than predicted, compared with the rest of the pull"
        )
    head = "LESS THAN PREDICTED" if found.word == "less" else "BETTER THAN PREDICTED"
    if compared.level == 0:
        head = "AS PREDICTED ON AVERAGE, BUT LESS IN PLACES" if found.word == "less" else "AS PREDICTED, MORE IN PLACES"
    return f"{head}: {'. '.join(parts)}. The gain is {gained}"


def gain_words(found: Confirmation) -> str:
    """The average gain, predicted and measured, with their ±."""
    if not math.isfinite(found.mean_gain):
        return "the gain over the baseline is not known"
    unit, (low, high) = found.project.display_units.torque, found.rpm
    return (
        f"on average at {'full throttle' if found.full_throttle else 'part load'}, {low:.0f} to {high:.0f} rpm: "
        f"predicted {unit.signed(found.mean_predicted_gain)} ± {unit.number(found.mean_predicted_gain_within)}, "
        f"measured {unit.signed(found.mean_gain)} ± {unit.text(found.mean_gain_within)} over "
        f"{baseline_name(found.project)} (± is 95 %). Torque of the baseline is the torque model's"
    )


def phase_lines(found: Confirmation) -> list[str]:
    """Whether the phasers followed the tables."""
    lines = [_strayed_words(each) for each in found.outliers]
    if all(np.isnan(found.points[f"{side}_asked"]).all() for side in SIDES):
        return ["no tables were named (--tables), so the phasers were not compared with them"]
    for each in found.wrong_commands:
        way = "more advanced" if each.worst > 0 else "more retarded"
        lines.append(
            f"the controller asks another {each.side} phase than the table at {_speeds(np.array(each.rpm))} rpm, up to "
            f"{abs(each.worst):.1f}° {way}: are other tables loaded, or is its sign or zero wrong?"
        )
    for side in found.commanded_only:
        lines.append(f"the {side} phase in the log is the commanded one: whether the phaser followed was not measured")
    if not found.outliers and len(found.commanded_only) < 2:
        lines.append(
            "measured phases follow the tables at every speed with a point, within the phaser's error plus "
            f"{TRACKING_TOLERANCE:g}° for its zero"
        )
    return lines


def _strayed_words(each: PhaseError) -> str:
    way = "more advanced" if each.worst > 0 else "more retarded"
    words = f"the {each.side} cam does not follow its table at {_speeds(np.array(each.rpm))} rpm: up to "
    words += f"{abs(each.worst):.1f}° {way}"
    if each.beyond:
        words += ". STOP: the contact limits allow for less error and overshoot. Find out why before you go on"
    return words


def contact_words(found: Confirmation) -> str:
    """Whether the timings driven keep both rules."""
    if not found.outside:
        return "every timing in this pull keeps both contact rules at its speed"
    return (
        f"OUTSIDE THE CONTACT LIMITS at {_speeds(np.array(found.outside))} rpm: the clearance there is less than your "
        "rules ask. Stop, and look for damage"
    )


def _speeds(rpm: np.ndarray) -> str:
    """Speeds in words, neighbours as a span.

    >>> _speeds(np.array([3001.0, 3249.0, 3502.0, 6000.0]))
    '3001 to 3502, 6000'
    """
    groups: list[list[float]] = []
    for speed in np.sort(rpm):
        if groups and speed - groups[-1][-1] <= 550.0:
            groups[-1].append(float(speed))
        else:
            groups.append([float(speed)])
    return ", ".join(f"{g[0]:.0f}" if len(g) == 1 else f"{g[0]:.0f} to {g[-1]:.0f}" for g in groups)


def table_rows(found: Confirmation) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows by speed: torque predicted, measured, difference, gain, and both phases against the tables."""
    head = ("rpm", "load", "predicted", "measured", "difference", "gain", "intake (table)", "exhaust (table)")
    order = np.lexsort((found.points["rpm"].to_numpy(), found.points["load"].to_numpy()))
    rows, unit = [], found.project.display_units.torque
    for i in order:
        p = {str(name): each.to_numpy()[i] for name, each in found.points.items()}
        rows.append(
            (
                f"{p['rpm']:.0f}",
                f"{p['load']:.0f}",
                _pm(unit.number(p["predicted"]), unit.number(p["predicted_within"])),
                unit.number(p["measured"]),
                _pm(unit.signed(p["difference"]), unit.number(p["difference_within"])),
                _pm(unit.signed(p["gain"]), unit.number(p["gain_within"])),
                *(_against(p[f"{side}_phase"], p[f"{side}_asked"]) for side in SIDES),
            )
        )
    return head, rows


def _pm(value: str, within: str) -> str:
    return "not known" if "nan" in value else f"{value} ± {within}"


def _against(phase: float, asked: float) -> str:
    return f"{phase + 0.0:.1f}" if math.isnan(asked) else f"{phase + 0.0:.1f} ({asked + 0.0:.1f})"


def confirm_document(found: Confirmation, name: str, pull: str, entry: dict[str, Any]) -> Document:
    """A pull held against its prediction.

    Parameters: `name` of the project and of the `pull`; `entry` with which the pull joins the data.
    """
    unit = found.project.display_units.torque.name
    head, rows = table_rows(found)
    by_speed = table(f"Torque in {unit} ± 95 %, phases in degrees from rest, the table's in brackets", head, rows)
    pictures = tuple(picture(svg, _CAPTIONS[file]) for file, svg in confirm_figures(found).items())
    return Document(
        f"{name}, pull “{pull}” against the prediction",
        f"{verdict_words(found)}.",
        lead=(sentence(contact_words(found)),),
        sections=(
            say("Gain", sentence(gain_words(found))),
            say("Phases", *map(sentence, phase_lines(found))),
            *_stands_out(found, head, rows),
            Section("By speed", pictures, Depth.PAGE),
            Section("To join this pull to the data", (Snippet(entry_text(entry), "Add to the project file:"),)),
            say("How judged", STATISTIC, depth=Depth.DETAIL),
            Section("Every speed", (by_speed,), Depth.DETAIL, folded=True),
        ),
        notes=found.notes,
        cautions=cautions(),
        in_short=IN_SHORT,
    )


def _stands_out(found: Confirmation, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> tuple[Section, ...]:
    """The speeds that differ from the prediction beside the rest of the pull; nothing where none does."""
    compared = found.differences
    if compared is None:
        return ()
    apart = {f"{rpm:.0f}" for rpm in found.points["rpm"].to_numpy()[found.known][compared.less | compared.more]}
    some = [row for row in rows if row[0] in apart]
    unit = found.project.display_units.torque.name
    caption = f"{len(some)} of {len(rows)} speeds; torque in {unit} ± 95 %, the table's phases in brackets"
    return (Section("Stands out", (table(caption, head, some),)),) if some else ()


def entry_text(entry: dict[str, Any]) -> str:
    """The entry of a pull as TOML, ready to paste.

    >>> print(entry_text({"kind": "sweep", "files": ["a.csv"], "rest": {"intake": 0.1}}), end="")
    [[torque.pulls]]
    kind = "sweep"
    files = ["a.csv"]
    rest = { intake = 0.1 }
    """
    return "".join(f"{line}\n" for line in ("[[torque.pulls]]", *(f"{k} = {_toml(v)}" for k, v in entry.items())))


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
