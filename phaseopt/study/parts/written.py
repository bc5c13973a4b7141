"""A chosen combination as the files of a project of its own, with what to measure once it is assembled."""

from collections.abc import Mapping
from pathlib import Path

from phaseopt.io.toml_text import toml_text
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.answers import BLANK
from phaseopt.project.shelf import Shelf, changed_table, without
from phaseopt.study.parts.combinations import Combination, Fitted, fitted
from phaseopt.study.parts.family import Grind

_CAUTION = (
    "A wrong figure here can break an engine. Turn it over by hand first, with soft springs or clay, and measure. "
    "Your local rules and a licensed workshop's practice come first."
)


def project_files(
    shelf: Shelf,
    project: Project,
    combination: Combination,
    grind: Mapping[Side, Grind] | None = None,
    offsets: Mapping[Side, float] | None = None,
) -> dict[str, str]:
    """The files of a project of a combination: `project.toml`, its lobes and drop readings, and `MEASURE.md`.

    Parameters
    ----------
    shelf, project, combination, grind
        As `fitted` takes them.
    offsets : mapping, optional
        Installed offsets to write, by side, crank degrees; left out, those of `fitted`.

    Returns
    -------
    dict
        UTF-8 text by file name. Where the valve drop is not known it is left to be filled in, so that no limits can be
        found before it was measured.

    Raises
    ------
    InputError
        As `fitted`.
    """
    found = fitted(shelf, project, combination, grind)
    table = without(found.project.as_given.read, "torque", "torque_grid", "tables.baseline")
    table["name"] = f"{project.name}, {combination.words}"[:200]
    for side, offset in (offsets or {}).items():
        table = changed_table(table, {side: {"offset": float(offset)}})
        if offset != project.cam(side).offset:
            table = without(table, f"{side}.degree_in")
    files: dict[str, str] = {}
    for side in SIDES:
        lobe = found.project.cam(side).lobe
        if lobe is not None:
            table[side]["lobe"] = _copied(files, f"lobes/{side}", [lobe])[0]
        readings = getattr(found.project.drop, side).readings
        if found.drop_known and readings:
            names = _copied(files, f"drops/{side}", readings)
            table["drop"] = {**table["drop"], side: {**table["drop"][side], "readings": names}}
    if not found.drop_known:
        table["drop"] = {side: {"at_tdc": BLANK} for side in SIDES}
    head = (
        f"# {project.name}: {combination.words}. Written from {project.file.name} and {shelf.file.name}.\n"
        "# Nothing here was measured on this engine yet: see MEASURE.md.\n\n"
    )
    return {"project.toml": head + toml_text(table), "MEASURE.md": _to_measure(combination, found), **files}


def _copied(files: dict[str, str], stem: str, paths: list[Path] | tuple[Path, ...]) -> list[str]:
    """The names that copies of files have, which are added to those to write."""
    names = []
    for number, path in enumerate(paths, start=1):
        name = f"{stem}{'' if len(paths) == 1 else f'-{number}'}{path.suffix}"
        files[name] = path.read_bytes().decode("utf-8-sig")
        names.append(name)
    return names


def _to_measure(combination: Combination, found: Fitted) -> str:
    """What to measure, as a list to tick off."""
    lines = [f"# To measure: {combination.words}", "", _CAUTION, ""]
    if not found.drop_known:
        lines += ["The valve drop is not known: drop.intake and drop.exhaust are blank in project.toml.", ""]
    lines += [f"- [ ] {each}" for each in found.measure] or ["Nothing is changed."]
    if found.notes:
        lines += ["", "Notes:", "", *(f"- {note}" for note in found.notes)]
    return "\n".join(lines) + "\n"
