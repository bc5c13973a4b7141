"""One ± everywhere: what it holds by the normal law, and that nothing a person reads has another of its own."""

import re
from pathlib import Path

import pytest
from scipy.stats import norm

import phaseopt
from phaseopt.values.interval import INTERVAL, PLUS_MINUS

_FOLDER = Path(phaseopt.__file__).parent
_READ = ("report", "output", "live", "cli", "study", "torque")
_OWN = re.compile(r"1\.96|[^\w.]2(?:\.0)? \* [\w.\[\]\"']*(?:deviation|_sd|_error|uncertainty|scatter|spread)\b")


def test_it_is_the_95_percent_that_is_shown() -> None:
    """Outside: scipy's normal law; two deviations hold 95.4 %."""
    assert round(100.0 * float(norm.cdf(INTERVAL) - norm.cdf(-INTERVAL))) == 95
    assert "95 %" in PLUS_MINUS


@pytest.mark.parametrize("room", _READ)
def test_no_room_that_speaks_to_a_person_has_a_factor_of_its_own(room: str) -> None:
    files = [each for kind in ("*.py", "*.js", "*.j2") for each in (_FOLDER / room).rglob(kind)]
    assert files
    found = [f"{file.name}: {line.strip()}" for file in files for line in file.read_text("utf-8").splitlines()
             if _OWN.search(line)]  # fmt: skip
    assert found == []
