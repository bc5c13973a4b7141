"""What a trade-off study says: in sentences, as a table of the trials that matter, and as a piece of a project file."""

from pathlib import Path

import numpy as np

from phaseopt.report.text import cautions, wrapped_block
from phaseopt.report.verdicts import capital
from phaseopt.study.tradeoff import CAUTION, ROUGHNESS, SLEW_SHARE, Tradeoff
from phaseopt.study.tradeoff_trial import Settings
from phaseopt.tables import number_text
from phaseopt.values.display_units import Unit

DEFINITION = (
    "The knee is the trial that gives up least in all: the loss of torque counts half, the rms step a quarter, the "
    "slew used a quarter, each from 0 for the best to 1 for the worst of the trials that no other beats in all three. "
    "Torque counts here less the project's own caution times its doubt. It is a proposal, not an optimum: how much "
    "torque is worth beside smoothness is yours to say"
)
UNITS = (
    "torque expected of the tables, mean by the weight of the cells, with the standard deviation of a cell's; full "
    "load is the plain mean of its row. The rms step is the change of phase per 500 rpm or 10 kPa, the largest step "
    "that between neighbouring cells; slew used is the largest share of what a phaser can follow"
)


def head(unit: Unit) -> tuple[str, ...]:
    """What stands above `row`, torque in a unit."""
    torque = (f"{what}, {unit.name}" for what in ("torque", "doubt", "full load"))
    return ("trial", "roughness", "caution", "slew_share", *torque, "rms step, °", "largest step, °", "slew used")


def row(found: Tradeoff, position: int) -> tuple[str, ...]:
    """One trial under `head`; roughness is the key's, in N·m."""
    at, unit = found.trials.isel(trial=position), found.project.display_units.torque
    return (
        f"{int(at['trial'])}",
        *(number_text(float(at[name])) for name in ("roughness", "caution", "slew_share")),
        *(unit.number(float(at[name]), 1) for name in ("torque", "doubt", "full_torque")),
        f"{float(at['rms_step']):.2f}",
        f"{float(at['largest_step']):g}",
        f"{float(at['slew_used']):.0%}",
    )


def named(found: Tradeoff) -> list[tuple[str, int]]:
    """The trials that have a name, and their positions: each once."""
    evenest = int(found.trials["rms_step"].to_numpy().argmin())
    places = [("as it stands", 0), ("knee", found.knee), ("most torque", found.most), ("most even", evenest)]
    names: dict[int, str] = {}
    for name, place in places:
        names[place] = f"{names[place]}, {name}" if place in names else name
    return [(name, place) for place, name in names.items()]


def curve(found: Tradeoff, against: str) -> list[int]:
    """Positions of the trials with the most torque at or below each value of another quantity, by rising value.

    >>> import xarray as xr
    >>> class Study:
    ...     trials = xr.Dataset({"torque": ("trial", [5.0, 7.0, 6.0]), "rms_step": ("trial", [1.0, 2.0, 3.0])})
    >>> curve(Study(), "rms_step")
    [0, 1]
    """
    torque, other = found.trials["torque"].to_numpy(), found.trials[against].to_numpy()
    kept: list[int] = []
    for place in np.lexsort((-torque, other)):
        if not kept or torque[place] > torque[kept[-1]]:
            kept.append(int(place))
    return kept


def knee_words(found: Tradeoff) -> str:
    """What the knee changes against the project as it stands."""
    if found.knee == 0:
        return "The project's own settings are the knee already: no trial gives up less in all."
    knee, own = found.trials.isel(trial=found.knee), found.trials.isel(trial=0)
    unit = found.project.display_units.torque
    torque, full, doubt = (unit.signed(float(knee[name] - own[name]), 1) for name in ("torque", "full_torque", "doubt"))
    return (
        f"Trial {int(knee['trial'])}, against the project as it stands: torque {torque} {unit.name} (full load "
        f"{full}), its doubt {doubt} {unit.name}; rms step {float(own['rms_step']):.2f} to "
        f"{float(knee['rms_step']):.2f}°, largest step {float(own['largest_step']):g} to "
        f"{float(knee['largest_step']):g}°, slew used {float(own['slew_used']):.0%} to {float(knee['slew_used']):.0%}."
    )


def fragment_text(found: Tradeoff) -> str:
    """The knee as a piece of a project file."""
    settings, number = found.settings(found.knee), int(found.trials["trial"][found.knee])
    return (
        f"# Trial {number} of the trade-off, its knee. Put these in place of the keys of the same names.\n"
        f"# For another trial, take the three from its row of tradeoff.csv.\n[search]\n{_keys(settings)}"
    )


def _keys(settings: Settings) -> str:
    return "".join(
        f"{name} = {number_text(getattr(settings, name))}\n" for name in ("roughness", "caution", "slew_share")
    )


def study_words(found: Tradeoff) -> list[str]:
    """How many trials, over what, which were refused, and which cells do not count."""
    tried = found.trials.sizes["trial"] - 1 + len(found.refused)
    lines = [
        f"{tried} trials, {found.earlier} of them from earlier runs, each a whole search on one torque model: "
        f"roughness {ROUGHNESS[0] / 1000:g} to {ROUGHNESS[1] / 1000:g}, caution {CAUTION[0]:g} to {CAUTION[1]:g}, "
        f"slew_share {SLEW_SHARE[0]:g} to {SLEW_SHARE[1]:g}. "
        f"With the project as it stands, {int(found.trials['on_front'].sum())} are on the front: no other is as good "
        "in torque, doubt, rms step and slew used and better in one. Contact limits and all other rules are the same "
        "for all.",
        f"No search is further than {float(found.trials['gap'].max()):.4%} of its value below the best possible. "
        "The trials are kept: with a greater --trials a later run goes on from them.",
    ]
    if found.refused:
        number, why = next(iter(found.refused.items()))
        lines.append(f"{len(found.refused)} trials left no tables; the first, trial {number}: {why}.")
    if found.uncounted:
        lines.append(f"{found.uncounted} cells do not count: the torque model does not speak of them.")
    return lines


def verdict_words(found: Tradeoff) -> str:
    """The verdict on the knee's tables in one sentence."""
    if not found.verdict.accepted:
        return "THE KNEE'S TABLES ARE NOT CLEAR; do not use its settings."
    between = "between cells" if found.verdict.clear else "between neighbouring cells, by the looser rule"
    return f"The knee's tables are clear in every cell and {between}."


def contact_words(found: Tradeoff) -> str:
    """The verdict on the knee's tables, full travel, and the cell that is closest."""
    verdict = found.verdict
    sentences = (verdict.full_travel.sentence, f"closest: {verdict.worst}")
    return " ".join([verdict_words(found), *(f"{capital(sentence).rstrip('.')}." for sentence in sentences)])


def tradeoff_summary(found: Tradeoff, folder: Path | None) -> str:
    """The study for a terminal.

    Parameters: `folder` that was written, None where nothing was.
    """
    rows = [
        ("", *head(found.project.display_units.torque)),
        *((name, *row(found, place)) for name, place in named(found)),
    ]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    table = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in rows]
    written = "tradeoff.html with the curve, tradeoff.csv with every trial, knee.toml to paste"
    blocks = [
        ("Units", [f"{capital(UNITS)}."]),
        ("Knee", [knee_words(found), f"{DEFINITION}."]),
        ("Study", study_words(found)),
        ("Contact", [contact_words(found), f"Not covered: {', '.join(found.verdict.not_covered)}."]),
        *([("Torque", list(found.notes))] if found.notes else []),
        (
            "To take",
            ["under [search] in the project file, then build:", *_keys(found.settings(found.knee)).splitlines()],
        ),
        ("Written", [f"{folder}: {written}" if folder else "nothing: name a directory with --out for the curve"]),
    ]
    parts = [f"  {found.project.name}", "\n".join(f"  {line}" for line in table)]
    blocks.append(("Heed", list(cautions())))
    parts += ["\n".join(wrapped_block(label, lines)) for label, lines in blocks]
    return "\n\n".join(parts) + "\n"
