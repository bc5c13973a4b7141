"""A chosen combination of parts, written as a project of its own."""

from collections.abc import Mapping
from pathlib import Path

from phaseopt.output.fresh import write_fresh
from phaseopt.project import Project, Side
from phaseopt.project.shelf import Shelf
from phaseopt.study.parts.combinations import Combination
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.written import project_files


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
