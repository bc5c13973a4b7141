"""Drop readings typed into the project file: the same law and the same checks as from a file."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import FILES, project_of

from phaseopt.clearance.drop_sources import drop_law
from phaseopt.project.drops import Drop
from phaseopt.values.errors import InputError

ROWS = [[float(cell) for cell in line.split(",")] for line in FILES["drop_intake.csv"].splitlines()[1:]]
INCH = {"units": "inch"}


def listed(folder: Path, rows: list[list[Any]], **more: Any) -> Any:
    return drop_law(project_of(folder, drop={"intake": {"readings": [], "around_tdc": rows, **more}}), "intake")


def test_a_list_is_the_same_as_its_file(tmp_path: Path) -> None:
    file, here = drop_law(project_of(tmp_path), "intake"), listed(tmp_path, ROWS)
    theta = np.linspace(-40.0, 40.0, 161)
    np.testing.assert_array_equal(here.low(theta), file.low(theta))
    assert here.wheel == file.wheel


def test_a_file_beside_a_list_is_another_sitting(tmp_path: Path) -> None:
    again = [[angle, drop + 0.01] for angle, drop in ROWS]
    law = drop_law(project_of(tmp_path, drop={"intake": {"around_tdc": again}}), "intake")
    assert law.readings is not None
    assert law.readings.sitting.max() == 1
    assert law.readings.angle.size == 2 * len(ROWS)


def test_a_file_copied_into_the_list_is_no_second_sitting(tmp_path: Path) -> None:
    """Source: errors of two sittings lessen each other only where the readings were taken twice."""
    with pytest.raises(InputError, match=r"same readings as drop_intake\.csv"):
        drop_law(project_of(tmp_path, drop={"intake": {"around_tdc": ROWS}}), "intake")


@pytest.mark.parametrize(
    ("rows", "where", "says"),
    [
        (ROWS[:4], "drop.intake.around_tdc", "4 readings"),
        ([*ROWS[:3], ROWS[2], *ROWS[3:]], "drop.intake.around_tdc (entry 4)", "given twice"),
        (ROWS[::-1], "drop.intake.around_tdc (entry 2)", "follows"),
        ([[abs(a), d] for a, d in ROWS], "drop.intake.around_tdc (entry 1)", "same sign"),
        (
            [[a, d + off] for (a, d), off in zip(ROWS, (0.4, -0.9, 0.3, 0.0, 0.4, -0.6, 0.5), strict=True)],
            "drop.intake.around_tdc (entry 2)",
            "contradict",
        ),
        ([[a / 2, d] for a, d in ROWS], "drop.intake.around_tdc", "as fast as the piston falls"),
        ([[a, 25.4 * d] for a, d in ROWS], "drop.intake.around_tdc (entry 1, number 2)", "below 100"),
    ],
)
def test_a_wrong_list_is_refused_with_its_key(tmp_path: Path, rows: list[list[float]], where: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        listed(tmp_path, rows)
    mistake = caught.value.mistakes[0]
    assert mistake.where.startswith(where)
    assert mistake.file == tmp_path / "project.toml"
    assert says in str(caught.value)


def test_a_bare_number_is_in_the_units_of_the_project() -> None:
    """An inch is 25.4 mm by definition; 294 bare in an inch project is asked about, thousandths are."""
    pairs = Drop.model_validate({"around_tdc": [[-15, 0.294], [-10, "250 thou"]]}, context=INCH).around_tdc
    assert pairs == ((-15.0, pytest.approx(7.4676)), (-10.0, pytest.approx(6.35)))
    with pytest.raises(ValueError, match="294 in, which looks wrong"):
        Drop.model_validate({"around_tdc": [[-15, 294]]}, context=INCH)
    with pytest.raises(ValueError, match="looks wrong"):
        Drop.model_validate({"around_tdc": [[-15, 0.25]]})
