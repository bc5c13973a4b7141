"""Files that somebody else wrote: the importer finds their true meaning, keeps it among several, or refuses them."""

from collections import Counter

import pytest
from outside.table_files import ENGINES, Kind, table_files

from .invented import outcome, project_with

RIGHT = {"readable": {"right", "refused"}, "open": {"right", "among several", "refused"}, "wrong": {"refused"}}


@pytest.mark.parametrize("seed", [2026, 11])
def test_no_wrong_meaning_is_accepted_and_few_readable_files_are_refused(seed: int) -> None:
    """Against the true meaning, by a generator that imports nothing of the package."""
    projects = {engine.name: project_with(engine) for engine in ENGINES}
    found: Counter[tuple[Kind, str]] = Counter()
    for file in table_files(seed):
        what, _, words = outcome(projects[file.engine.name], file)
        assert what in RIGHT[file.kind], (file.form, file.name, words)
        found[file.kind, what] += 1
    readable = sum(number for (kind, _), number in found.items() if kind == "readable")
    assert found["readable", "refused"] <= 0.05 * readable
    assert found["open", "among several"] >= 20
