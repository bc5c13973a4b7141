"""The files of a parts study; and a chosen combination, written as a project of its own."""

import difflib
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.fresh import write_fresh
from phaseopt.output.metadata import records_metadata
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.shelf import Shelf, kind_text
from phaseopt.report.page import page
from phaseopt.report.parts_facts import gain_as_tried, last_outcome, listed, state_of
from phaseopt.report.subjects.parts import parts_document, verdict_words
from phaseopt.study.parts.combinations import Combination, allowed, present
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.order import FINALISTS
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import Outcome
from phaseopt.study.parts.written import project_files
from phaseopt.values.errors import InputError
from phaseopt.values.rounding import rounded_down

NAME = "combinations.csv"
_CLEARANCES = {"running": "least running clearance", "static": "least static clearance"}


def parts_files(study: PartsStudy) -> dict[str, str]:
    """`combinations.csv` (a row a combination) with its metadata, a page, and the record."""
    columns = _columns(study)
    title = "Combinations of parts, a row each, with the best timing of each at full throttle"
    files = {
        NAME: csv_text(columns),
        f"{NAME}-metadata.json": records_metadata(NAME, title, columns, (verdict_words(study),)),
        "parts.html": page(parts_document(study), "phaseopt parts"),
    }
    return files | {RECORD: record_of(files)}


def _columns(study: PartsStudy) -> list[Column]:
    keys, numbers = list(study.combinations), {key: n for n, key in enumerate(listed(study), start=1)}
    found = {key: last_outcome(study, key) for key in keys}
    whole = {key: study.finalists.index(key) for key in study.finalists}
    band = "{:g} to {:g} rpm".format(*study.base.band)

    def column(name: str, words: str, unit: str, of: Callable[[str], float | None], *, down: bool = False) -> Column:
        given = [of(key) for key in keys]
        values = np.array([math.nan if each is None else each for each in given], dtype=np.float64)
        return Column(name, words, rounded_down(values) if down else values, unit, 3)

    def tried(of: Callable[[Outcome], float]) -> Callable[[str], float | None]:
        return lambda key: None if (each := found[key]) is None else of(each)

    columns = [
        column("number", "its number in the list of those tried whole", "1", lambda key: numbers.get(key)),
        Column("combination", "the parts that are not fitted now", [study.combinations[key].words for key in keys]),
        Column("state", "how far it was tried, or why it was not", [state_of(study, key) for key in keys]),
        Column("why", "why it was left out, or what to measure first", [_why(study, key) for key in keys]),
    ]
    columns += [
        Column(kind_text(kind), f"its {kind_text(kind).replace('_', ' ')}", [
            study.combinations[key].kinds_of[kind] for key in keys])
        for kind in study.shelf.parts
    ]  # fmt: skip
    if study.shelf.currency is not None:
        money = study.shelf.currency
        columns.append(
            column("price", "what its parts cost", money, lambda key: study.price(key) if key in study.fits else None)
        )
    columns += [
        column("torque", f"mean at full throttle, {band}, at the finest level it was tried at", "N m", tried(_torque)),
        column("gain", "torque over the engine as it is, at the same level", "N m", lambda k: gain_as_tried(study, k)),
        column("gain_sd", "standard deviation of the gain; of those tried whole", "N m",
               lambda key: study.gain(key)[1] if key in numbers else None),
        column("best", "probability that it makes the most torque of those tried whole", "1",
               lambda key: float(study.paired.best[whole[key]]) if key in whole else None),
    ]  # fmt: skip
    for contact in next((each.running for each in found.values() if each is not None), {}):
        for name, text in _CLEARANCES.items():
            of = tried(lambda each, name=name, contact=contact: float(getattr(each, name)[contact]))  # type: ignore[misc]
            words = f"{contact.replace('_', ' to ')}: {text}, worst case"
            columns.append(column(f"{contact}_{name}", words, "mm", of, down=True))
    columns.append(
        column("margin", "the least that clearances have above the rules", "mm", tried(lambda o: o.margin), down=True)
    )
    travels = ["" if (each := found[key]) is None else each.travel for key in keys]
    columns.append(Column("full_travel", "verdict on full travel; of those tried whole", travels))
    for place, side in enumerate(SIDES):
        of = tried(lambda each, place=place: each.offsets[place] if each.travel else math.nan)  # type: ignore[misc]
        columns.append(column(f"{side}_offset", f"installed offset of the {side} cam, + = advanced", "degree", of))
    for side in SIDES:
        of = tried(lambda each, side=side: each.control.get(side, math.nan))  # type: ignore[misc]
        columns.append(column(f"{side}_control", f"speed up to which its spring holds the {side} valve", "rpm", of))
    words = "crank degrees by which knock makes it burn later than best, at most; of those tried whole"
    return [*columns, column("knock_later", words, "degree", tried(lambda each: each.late))]


def _torque(found: Outcome) -> float:
    return found.torque


def _why(study: PartsStudy, key: str) -> str:
    return study.refused.get(key, "; ".join(study.unmeasured.get(key, ())))


def named(shelf: Shelf, name: str) -> int | Combination:
    """What a person means by a name: a number of the list of those tried whole, or a combination by its parts.

    Raises `InputError` with the nearest where it is neither.
    """
    if name.strip().isdecimal() and 1 <= int(name) <= FINALISTS:
        return int(name)
    words = {_in_order(each.words): each for each in [present(shelf), *allowed(shelf)]}
    if (found := words.get(_in_order(name))) is not None:
        return found
    near = difflib.get_close_matches(_in_order(name), words, n=1, cutoff=0.4)
    hint = f'did you mean "{words[near[0]].words}"?' if near else "give its number in the list, or its parts"
    raise InputError.one(f"there is no combination {name!r}", hint=hint, where="--write")


def with_number(study: PartsStudy, number: int) -> Combination:
    """The combination with a number in the list. Raises `InputError` where the list is shorter."""
    keys = listed(study)
    if number > len(keys):
        hint = f"give a number from 1 to {len(keys)}" if keys else "give its parts"
        raise InputError.one(f"there is no combination {number}", hint=hint, where="--write")
    return study.combinations[keys[number - 1]]


def _in_order(name: str) -> str:
    """The parts of a combination in any order and case, as one text.

    >>> _in_order("Ported head,  long grind") == _in_order("long grind, ported head")
    True
    """
    return ", ".join(sorted(" ".join(each.split()).casefold() for each in name.split(",")))


def write_combination(
    shelf: Shelf,
    project: Project,
    combination: Combination,
    directory: Path,
    grind: Mapping[Side, Grind] | None = None,
    offsets: Mapping[Side, float] | None = None,
) -> None:
    """Write a combination as a project into a new or empty directory, all of it or nothing.

    Parameters as `project_files` takes them. Raises `InputError` as it does, and where the directory holds anything.
    """
    write_fresh(directory, project_files(shelf, project, combination, grind, offsets))
