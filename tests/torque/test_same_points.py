"""The example's logs in another dialect, in other units and as MDF give the same torque points."""

import shutil
from collections.abc import Callable
from pathlib import Path

import asammdf
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phaseopt.project.load import load_project
from phaseopt.torque import Reduction, reduce_logs

EXAMPLE = Path(__file__).parents[2] / "examples" / "hillclimb"
PULLS = ("sweep-03", "steady-50")


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> xr.Dataset:
    """The same two pulls from the example's own files: what one pull says may rest on the others beside it."""
    return converted(tmp_path_factory.mktemp("plain"), lambda _, file: _copy(EXAMPLE / "dyno" / file.name, file)).points


def _copy(source: Path, file: Path) -> None:
    shutil.copy(source, file)


def converted(folder: Path, convert: Callable[[pd.DataFrame, Path], None], *changes: tuple[str, str]) -> Reduction:
    """Reduce the example with the logs of two pulls rewritten, and its project file changed to read them."""
    there = folder / "examples" / "hillclimb"
    shutil.copytree(EXAMPLE.parents[1] / "maps" / "hillclimb-start", folder / "maps" / "hillclimb-start")
    shutil.copytree(EXAMPLE, there, ignore=shutil.ignore_patterns(".phaseopt", "__pycache__"))
    text = (there / "project.toml").read_text(encoding="utf-8")
    head, *pulls = text.split("[[torque.pulls]]")
    rest = pulls[-1].partition("\n\n")[2]
    pulls[-1] = pulls[-1].partition("\n\n")[0] + "\n"
    own = [pull for pull in pulls if any(f"dyno/{name}.csv" in pull for name in PULLS)]
    text = "[[torque.pulls]]".join([head, *own]) + "\n" + rest
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (there / "project.toml").write_text(text, encoding="utf-8")
    for name in PULLS:
        log = pd.read_csv(there / "dyno" / f"{name}.csv")
        (there / "dyno" / f"{name}.csv").unlink()
        convert(log, there / "dyno" / f"{name}.csv")
    return reduce_logs(load_project(there / "project.toml"))


def same(found: Reduction, expected: xr.Dataset, rtol: float) -> bool:
    points = found.points
    assert points.sizes["point"] == expected.sizes["point"] > 40
    for name in ("rpm", "load", "icl", "ecl", "torque", "scatter"):
        np.testing.assert_allclose(points[name], expected[name], rtol=rtol, atol=1e-9, err_msg=name)
    return True


def other_format(log: pd.DataFrame, file: Path) -> None:
    """Preamble, names, units, decimal commas, semicolons at every end, a remark, a line cut short; UTF-16."""
    body = log.to_csv(sep=";", decimal=",", index=False, lineterminator=";\r\n").split("\r\n")
    units = ["s", "1/min", "lbf ft", "mbar", "%", "°C", "°", "°"]
    lines = ["Prüfstand 2", "Fahrer;;", "", body[0], ";".join(units) + ";", *body[1:50], "# Kühlung an", *body[50:-1]]
    file.write_bytes("\r\n".join([*lines, "6000,5;12", ""]).encode("utf-16"))


def test_another_dialect(tmp_path: Path, plain: xr.Dataset) -> None:
    found = converted(tmp_path, other_format)
    assert same(found, plain, rtol=0)
    (note,) = [each for each in found.notes if each.startswith("sweep-03: ") and "UTF-16" in each]
    for fact in ("UTF-16", "line 4", "line 5", "semicolons", "decimal commas", "1 line"):
        assert fact in note
    assert "at the end passed over" in note


def test_tabs_windows_1252_and_quotes(tmp_path: Path, plain: xr.Dataset) -> None:
    def convert(log: pd.DataFrame, file: Path) -> None:
        log = log.rename(columns={"air in degC": "Luft °C"})
        file.write_bytes(log.to_csv(sep="\t", index=False, quoting=2).encode("cp1252"))

    found = converted(tmp_path, convert, ('"air in degC"', '"Luft °C"'))
    assert same(found, plain, rtol=0)
    assert any("Windows-1252" in note for note in found.notes)


def test_other_units_are_believed_where_the_project_states_none(tmp_path: Path, plain: xr.Dataset) -> None:
    """The pound force foot is 1.3558179483314004 N m exactly (NIST SP 811, from memory)."""

    def convert(log: pd.DataFrame, file: Path) -> None:
        log["brake torque lbf ft"] *= 1.3558179483314004
        log["manifold mbar"] /= 1000.0
        log["air in degC"] = log["air in degC"] * 1.8 + 32.0
        log["time s"] *= 1000.0
        names, *rows = log.to_csv(index=False, lineterminator="\n").splitlines()
        file.write_text("\n".join([names, "ms,rpm,Nm,bar,%,°F,,", *rows]), encoding="utf-8")

    units = ('torque = "lbf ft"\nload = "mbar"\nair_temperature = "degC"', "")
    found = converted(tmp_path, convert, units)
    assert same(found, plain, rtol=1e-9)
    assert any("manifold mbar is in bar, as the file says" in note for note in found.notes)


def test_mdf_of_two_rates(tmp_path: Path, plain: xr.Dataset) -> None:
    """Written by asammdf: torque in one group, the other channels in another that ticks twice as fast."""

    def convert(log: pd.DataFrame, file: Path) -> None:
        time = log["time s"].to_numpy()
        twice = np.sort(np.r_[time, (time[1:] + time[:-1]) / 2])
        units = {"brake torque lbf ft": "lbf ft", "manifold mbar": "mbar", "air in degC": "°C", "engine rpm": "1/min"}
        signals: dict[bool, list[asammdf.Signal]] = {False: [], True: []}
        for name in log.columns[1:]:
            fast = name != "brake torque lbf ft"
            values = np.interp(twice, time, log[name].to_numpy()) if fast else log[name].to_numpy()
            at = twice if fast else time
            signals[fast].append(asammdf.Signal(values, at, name=name, unit=units.get(name, "")))
        with asammdf.MDF(version="4.10") as recording:
            for group in signals.values():
                recording.append(group)
            recording.save(file.with_suffix(".mf4"), overwrite=True)

    found = converted(tmp_path, convert, ('.csv"]\nweather', '.mf4"]\nweather'))
    assert same(found, plain, rtol=1e-12)


def test_the_dyno_s_and_the_controller_s_file_on_clocks_of_their_own(tmp_path: Path, plain: xr.Dataset) -> None:
    """Each file has part of the columns; the shift between their clocks is found from engine speed."""
    mine = ["time s", "engine rpm", "brake torque lbf ft", "air in degC"]

    def convert(log: pd.DataFrame, file: Path) -> None:
        log[mine].to_csv(file.with_suffix(".dyno.csv"), index=False)
        other = log.drop(columns=["brake torque lbf ft", "air in degC"])
        other["time s"] += 37.25
        other.to_csv(file.with_suffix(".controller.csv"), index=False)

    files = [(f'["dyno/{name}.csv"]', f'["dyno/{name}.dyno.csv", "dyno/{name}.controller.csv"]') for name in PULLS]
    names = [(f'kind = "{kind}"\nfiles = ["dyno/{name}.d', f'name = "{name}"\nkind = "{kind}"\nfiles = ["dyno/{name}.d')
             for kind, name in (("sweep", PULLS[0]), ("steady", PULLS[1]))]  # fmt: skip
    found = converted(tmp_path, convert, *files, *names)
    shifts = [float(n.split("controller.csv: ")[1].split(" s")[0]) for n in found.notes if "added to its times" in n]
    assert shifts == pytest.approx([-37.25, -37.25], abs=1e-3)
    assert same(found, plain, rtol=1e-3)
