"""Units as logs write them, under a name, in brackets behind it or as its last words."""

from pathlib import Path

import pint
import pytest

from phaseopt.torque import read_pull

from .dyno import COLUMNS, dyno_project, mistake_of

SPELT = {
    "torque": {
        "newton * meter": ["Nm", "N·m", "N.m", "N-m", "NM"],
        "force_pound * foot": ["lb-ft", "ft-lb", "ft.lbs", "lb.ft", "lbf·ft", "lb/ft", "FT-LBS", "foot-pounds"],
        "force_pound * inch": ["in-lb", "lbf.in"],
        "kilogram_force * meter": ["kgf·m", "kgm", "kgf-m", "mkp"],
        "decanewton * meter": ["daNm"],
    },
    "load": {
        "kilopascal": ["kPa", "KPA", "kPa abs", "kPa(a)"],
        "millibar": ["mbar", "MBAR", "hPa", "mbar abs"],
        "bar": ["bar", "bar(a)"],
        "psi": ["psi", "PSI", "psia"],
        "inch_Hg": ["inHg", "in Hg", "in.Hg", '"Hg'],
        "torr": ["mmHg", "Torr"],
        "kilogram_force / centimeter ** 2": ["kg/cm2", "kgf/cm²"],
    },
    "rpm": {
        "revolution / minute": ["rpm", "1/min", "min-1", "min^-1", "U/min", "tr/min", "giri/min"],
        "revolution / second": ["1/s", "Hz", "rps"],
        "kilorevolution / minute": ["rpm x1000", "krpm"],
    },
}
INTO = {"torque": "newton * meter", "load": "kilopascal", "rpm": "revolution / minute"}
PLAIN = {"rpm": 3000.0, "torque": 150.0, "load": 98.0}


@pytest.mark.parametrize(("name", "unit"), [(name, unit) for name, units in SPELT.items() for unit in units])
def test_a_unit_is_read_as_it_is_spelt(tmp_path: Path, name: str, unit: str) -> None:
    """Source: package pint, to 1e-6 (an inch of mercury is a convention)."""
    registry = pint.UnitRegistry()
    logged = registry.Quantity(PLAIN[name], INTO[name]).to(unit).magnitude
    for number, spelt in enumerate(SPELT[name][unit]):
        quoted = '"' + spelt.replace('"', '""') + '"'
        column = COLUMNS[name]
        under = [quoted if each == column else "-" for each in COLUMNS.values()]
        values = {each: PLAIN.get(key, 0.0) for key, each in COLUMNS.items()} | {column: logged, "tps": 100.0}
        row = ",".join(map(repr, values.values()))
        folder = tmp_path / str(number)
        folder.mkdir()
        beside = f"{column} {spelt}"
        ways = [("under.csv", column, f"{','.join(COLUMNS.values())}\n{','.join(under)}\n{row}\n{row}\n")]
        if '"' not in spelt:
            ways.append(("beside.csv", beside, f"{','.join(values).replace(column, beside)}\n{row}\n{row}\n"))
        for file, called, text in ways:
            project = dyno_project(folder, {file: text}, [{"files": [file]}], columns=COLUMNS | {name: called})
            assert project.torque is not None
            (log,) = read_pull(project, project.torque, 1, project.torque.pulls[0])
            assert float(log[name][0]) == pytest.approx(PLAIN[name], rel=1e-6), spelt


def test_an_unknown_unit_is_refused_until_it_is_stated(tmp_path: Path) -> None:
    text = f"{','.join(COLUMNS.values())}\nrpm,Tq,kPa,%,deg,deg\n3000,150,98,100,0,0\n3000,150,98,100,0,0\n"
    project = dyno_project(tmp_path, {"a.csv": text})
    assert project.torque is not None
    mistake = mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0])
    assert "Tq" in mistake.problem
    assert "[torque.units]" in mistake.hint
    stated = dyno_project(tmp_path, {"a.csv": text}, units={"torque": "N m"})
    assert stated.torque is not None
    (log,) = read_pull(stated, stated.torque, 1, stated.torque.pulls[0])
    assert float(log["torque"][0]) == 150.0


def test_a_unit_in_a_name_that_contradicts_the_project_is_refused(tmp_path: Path) -> None:
    text = "rpm,torque lb-ft,map,tps,icam,ecam\n3000,110,98,100,0,0\n"
    columns = COLUMNS | {"torque": "torque lb-ft"}
    project = dyno_project(tmp_path, {"a.csv": text}, columns=columns, units={"torque": "N m"})
    assert project.torque is not None
    mistake = mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0])
    assert "torque.units.torque" in mistake.hint


@pytest.mark.parametrize("column", ["boost psig", "MAP kPa(g)", "MAP [bar g]"])
def test_a_gauge_pressure_is_refused_by_its_name(tmp_path: Path, column: str) -> None:
    text = f"rpm,tq,{column},tps,icam,ecam\n3000,110,98,100,0,0\n"
    project = dyno_project(tmp_path, {"a.csv": text}, columns=COLUMNS | {"load": column})
    assert project.torque is not None
    mistake = mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0])
    assert "gauge" in mistake.problem


@pytest.mark.parametrize(("intake", "exhaust"), [("Cam in adv", "Cam ex ret"), ("VVT inlet", "VVT exhaust")])
def test_a_cam_does_not_take_the_other_cams_column(tmp_path: Path, intake: str, exhaust: str) -> None:
    """Both cams move the same way here, so numbers alone cannot show that the columns are swapped."""
    log = f"rpm,tq,map,tps,{intake},{exhaust}\n" + "3000,150,98,100,0,0\n" * 2
    for swapped in (False, True):
        named = dict(
            zip(("intake_phase", "exhaust_phase"), (exhaust, intake) if swapped else (intake, exhaust), strict=True)
        )
        project = dyno_project(tmp_path, {"a.csv": log}, [{"files": ["a.csv"]}], columns=COLUMNS | named)
        assert project.torque is not None
        if swapped:
            mistake = mistake_of(read_pull, project, project.torque, 1, project.torque.pulls[0])
            assert f"{exhaust} is the exhaust cam" in mistake.problem
        else:
            assert read_pull(project, project.torque, 1, project.torque.pulls[0])
