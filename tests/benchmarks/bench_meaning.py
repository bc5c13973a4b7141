"""200 invented table files in many forms, read by the importer: no wrong meaning accepted, few readable ones refused.

Run by itself: `python tests/benchmarks/bench_meaning.py [SEED]`. The files and their true meaning come from
`tests/outside/table_files.py`, which imports nothing of the package. A file counts as

- wrong meaning accepted, where it is read and its true phases, speeds or loads are in none of the readings kept;
- refused though readable, where a person surely could read it and it is refused, or several readings stay;
- open, where something is not written: every reading that fits is kept, its true one among them.

Exit 1 where a wrong meaning is accepted, where more than 5 % of the readable files are refused, where a file that
nobody should take is read, or where tables count as clear that are not clear by their true phases.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from figures import Figure, report
from outside.table_files import ENGINES, TableFile, table_files
from table_import.invented import OUTCOMES, outcome, project_with

from phaseopt.clearance import contact_model
from phaseopt.clearance.clamps import check_given, check_pair
from phaseopt.project import Project
from phaseopt.table_import import ImportedPair
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.errors import InputError


def clear_and_not(project: Project, file: TableFile, pair: ImportedPair) -> bool:
    """Whether the check calls the file clear and its true phases are not."""
    model = contact_model(project)
    try:
        if not check_pair(model, pair).verdict.accepted:
            return False
    except InputError:
        return False
    still = np.zeros_like(file.phases)
    both = (file.phases, still) if file.given_as == "intake" else (still, file.phases)
    true = PhaseClamps(file.rpm, *both) if file.load is None else PhaseTables.of(file.rpm, file.load, *both)
    return not check_given(model, true).accepted


def main() -> int:
    """Read all, print what went wrong and the figures."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 2026
    projects = {engine.name: project_with(engine) for engine in ENGINES}
    count = {kind: dict.fromkeys(OUTCOMES, 0) for kind in ("readable", "open", "wrong")}
    falsely_clear = 0
    for file in table_files(seed):
        project = projects[file.engine.name]
        found, pair, said = outcome(project, file)
        count[file.kind][found] += 1
        falsely_clear += pair is not None and clear_and_not(project, file, pair)
        meant = {"readable": ("right",), "open": ("among several", "refused", "right"), "wrong": ("refused",)}
        if found not in meant[file.kind]:
            print(f"{file.kind} but {found}: {file.form}, {file.name}, {file.engine.name}\n    {said}")
    for kind, found in count.items():
        print(f"{kind:<10}" + ", ".join(f"{name} {number}" for name, number in found.items()))
    readable, opened, wrong = count["readable"], count["open"], count["wrong"]
    missed = readable["refused"] + readable["among several"]
    accepted = readable["wrong"] + opened["wrong"] + sum(wrong.values()) - wrong["refused"]
    figures = [
        Figure("files", float(sum(sum(each.values()) for each in count.values()))),
        Figure("wrong meaning accepted", float(accepted), "files", at_most=0),
        Figure("refused though readable", 100.0 * missed / sum(readable.values()), "%", at_most=5),
        Figure("open, judged in all readings that fit", float(opened["among several"]), "files"),
        Figure("open, refused", float(opened["refused"]), "files"),
        Figure("open, only one reading fits the phaser", float(opened["right"]), "files"),
        Figure("clear by the check and not by the truth", float(falsely_clear), "files", at_most=0),
    ]
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
