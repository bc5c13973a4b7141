"""Both cams' files together: axes of their own, one cam standing still, clamps beside a table."""

from pathlib import Path

import numpy as np
import pytest
from engines import project_of
from scipy.interpolate import RegularGridInterpolator

from phaseopt.project import Project
from phaseopt.table_import import Source, StatedMeaning, read_pair
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.errors import InputError

INTAKE = "crank degrees advanced\nMAP kPa,50,100\n1000,0,10\n8000,5,20\n"
EXHAUST = "crank degrees 0 at rest\nrpm\\load (kPa),40,70,100\n2000,0,-10,-20\n5000,0,-5,-10\n8000,0,0,-1\n"
CLAMPS = "crank degrees 0 at rest\nrpm,from,to\n1000,-5,0\n8000,-12,0\n"


@pytest.fixture
def project(tmp_path: Path) -> Project:
    for name, text in (("intake", INTAKE), ("exhaust", EXHAUST), ("clamps", CLAMPS)):
        (tmp_path / f"{name}_given.csv").write_text(text)
    return project_of(tmp_path)


def file(project: Project, name: str) -> Source:
    return Source(project.folder / f"{name}_given.csv")


def test_tables_on_axes_of_their_own_are_read_at_the_breakpoints_of_both(project: Project) -> None:
    """Both against `scipy.interpolate.RegularGridInterpolator`, which reads between breakpoints bilinearly; beyond its
    own axes a table's edge holds."""
    given = read_pair(project, file(project, "intake"), file(project, "exhaust"))
    assert isinstance(given.phases, PhaseTables)
    assert given.phases.rpm.tolist() == [1000, 2000, 5000, 8000]
    assert given.phases.load.tolist() == [40, 50, 70, 100]
    rpm, load = np.meshgrid(given.phases.rpm, given.phases.load, indexing="ij")
    intake = RegularGridInterpolator(([1000, 8000], [50, 100]), [[0, 10], [5, 20]])
    exhaust = RegularGridInterpolator(([2000, 5000, 8000], [40, 70, 100]), [[0, -10, -20], [0, -5, -10], [0, 0, -1]])
    np.testing.assert_allclose(given.phases.intake, intake((rpm, np.clip(load, 50, 100))), atol=1e-12)
    np.testing.assert_allclose(given.phases.exhaust, exhaust((np.clip(rpm, 2000, 8000), load)), atol=1e-12)
    assert all("different axes" in words[-1] for words in given.notes.values())


def test_one_table_and_a_cam_that_stands(project: Project) -> None:
    for source, phase, words in ((Source(), 0.0, "at rest"), (Source(at=-7.5), -7.5, "at -7.5° everywhere, as stated")):
        given = read_pair(project, file(project, "intake"), source)
        assert isinstance(given.phases, PhaseTables)
        assert (given.phases.exhaust == phase).all()
        assert given.phases.intake.to_numpy().tolist() == [[0, 10], [5, 20]]
        assert words in given.notes["exhaust"][0]


def test_one_file_is_both_where_one_phaser_moves_both(project: Project, tmp_path: Path) -> None:
    phaser = {"travel": [-10.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}}
    tied = project_of(tmp_path, intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    given = read_pair(tied, Source(), file(project, "intake"))
    assert isinstance(given.phases, PhaseTables)
    np.testing.assert_array_equal(given.phases.intake, given.phases.exhaust)
    assert given.notes["intake"]


def test_a_table_beside_clamps_counts_as_its_span_at_each_speed(project: Project) -> None:
    given = read_pair(project, file(project, "intake"), file(project, "clamps"))
    assert isinstance(given.phases, PhaseClamps)
    assert given.phases.rpm.tolist() == [1000, 8000]
    assert given.phases.intake.tolist() == [[0, 10], [5, 20]]
    assert given.phases.exhaust.tolist() == [[-5, 0], [-12, 0]]
    clamps = Source(project.folder / "clamps_given.csv", StatedMeaning(sign=1, zero=0.0))
    mixed = read_pair(project, clamps, file(project, "exhaust"))
    assert isinstance(mixed.phases, PhaseClamps)
    assert mixed.phases.rpm.tolist() == [1000, 2000, 5000, 8000]
    assert mixed.phases.intake[:, 0].tolist() == [-5, -6, -9, -12]
    assert mixed.phases.exhaust.tolist() == [[-20, 0], [-20, 0], [-10, 0], [-1, 0]]


@pytest.mark.parametrize(
    ("intake", "exhaust", "problem"),
    [
        (Source(), Source(), "no table"),
        (Source(at=3.0), Source(at=3.0), "no table"),
        (Source(Path("a.csv"), at=3.0), Source(), "both a file and a phase for the intake cam"),
        (Source(Path("a.csv")), Source(stated=StatedMeaning(sign=-1)), "of an exhaust table that is not given"),
        (Source(Path("a.csv")), Source(at=float("nan")), "--exhaust-at nan is no phase"),
        (Source(Path("a.csv"), StatedMeaning(zero=1e9)), Source(), "--intake-zero 1000000000.0 is no phase"),
        (Source(Path("a.csv")), Source(), "no such file"),
    ],
)
def test_what_makes_no_sense_gets_a_message(project: Project, intake: Source, exhaust: Source, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        read_pair(project, intake, exhaust)
