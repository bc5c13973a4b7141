"""The first hour of somebody new with an engine in inches: questions on a real terminal, then limits, logs and tables.

The engine, its readings and its logs are invented here from plain formulas.
"""

import re
import sys
from pathlib import Path

import numpy as np
import pexpect
from engines import cosine_lift
from typer.testing import CliRunner

from phaseopt.cli import app

STROKE, ROD = 3.23, 5.59  # in
# What is typed, by a part of its question; "" = the first choice, by the return key alone.
ANSWERS = {
    "Which units": "inch",
    "called": "Kestrel four",
    "cylinders": "4",
    "Bore and stroke": f"3.39 x {STROKE}",
    "Rod, centre": f"{ROD}",
    "Idle and redline": "1000 7000",
    "Which cams": "",
    "Intake phaser": "40",
    "Exhaust phaser": "-35",
    "Valves per cylinder": "2 2",
    "Valve angle": "12 14",
    "of the lobes": "",
    "centreline": "112 110",
    "as fitted": "-4 3",
    "Lash": ".008 .010",
    "measure valve drop": "",
    "piston, pin": "430",
    "Cross-section of the rod": ".26",
    "Where does torque": "",
    "Where does the dyno": "",
}
# What is typed into the file afterwards, for tables from logs.
IN_THE_FILE = {
    "intake.phaser.slew": {"advance": 90, "retard": 70},
    "exhaust.phaser.slew": {"advance": 80, "retard": 90},
    "torque.weather": {"pressure": 29.4, "temperature": 64, "humidity": 0.5},
    "torque.columns": {
        "rpm": "rpm", "torque": "lb-ft", "load": "map", "time": "s", "throttle": "tps", "intake_phase": "in",
        "exhaust_phase": "ex",
    },
    "torque.units": {"torque": "lbf ft", "load": "kPa"},
    "torque.phases.intake": {"sign": 1, "zero": 0, "in": "crank deg"},
    "torque.phases.exhaust": {"sign": 1, "zero": 0, "in": "crank deg"},
}  # fmt: skip


GUARD = ("[gap]", "tables_only_guard = true")  # full travel is not clear, which the limits said


def answered(folder: Path) -> int:
    """Answer on a terminal; how many answers were refused."""
    terminal = pexpect.spawn(
        sys.executable, ["-m", "phaseopt", "new", str(folder)], encoding="utf-8", timeout=60, dimensions=(40, 120)
    )
    said = ""
    for question, answer in ANSWERS.items():
        terminal.expect_exact(question)
        terminal.expect_exact("\n> ")
        said += terminal.before or ""
        terminal.sendline(answer)
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 0
    return said.count("Fix:")


def fall(crank_deg: np.ndarray) -> np.ndarray:
    """How far the piston is below TDC, in (slider-crank, from any textbook)."""
    turned, r = np.radians(crank_deg), STROKE / 2
    return np.asarray(r + ROD - r * np.cos(turned) - np.sqrt(ROD**2 - (r * np.sin(turned)) ** 2))


def measured(folder: Path) -> None:
    """Lobes and valve drop as read, in inches."""
    cam_deg = np.arange(-66.0, 67.0, 2.0)
    angles = np.arange(-15.0, 16.0, 5.0)
    for side, peak, at_tdc, tilt in (("intake", 0.40, 0.235, 12.0), ("exhaust", 0.38, 0.250, 14.0)):
        lift = cosine_lift(cam_deg, peak, 64.0)
        rows = "".join(f"{a:g},{each:.4f}\n" for a, each in zip(cam_deg, lift, strict=True))
        (folder / f"{side}_lobe.csv").write_text(f"cam_deg,lift_in\n{rows}", encoding="utf-8")
        drops = (at_tdc + fall(angles)) / np.cos(np.radians(tilt))
        rows = "".join(f"{a:g},{1000 * each:.0f},1\n" for a, each in zip(angles, drops, strict=True))
        (folder / f"{side}_drop.csv").write_text(f"crank_deg,drop_thou,cylinder\n{rows}", encoding="utf-8")


def pulled(folder: Path) -> None:
    """Twelve full-throttle pulls at timings of their own: an invented curve whose best timing moves with speed."""
    timings = [(i, e) for i in (0.0, 6.0, 12.0) for e in (0.0, -5.0, -10.0)] + [(0.0, 0.0), (9.0, -3.0), (3.0, -8.0)]
    rng = np.random.default_rng(7)
    for number, (intake, exhaust) in enumerate(timings):
        rpm = np.linspace(1000.0, 7000.0, 600)
        best = 12.0 - 3.0 * (rpm - 3500.0) / 1000.0
        torque = 118.0 - 0.03 * (intake - best) ** 2 - 0.02 * (exhaust + 4.0) ** 2 - ((rpm - 4500.0) / 600.0) ** 2
        torque = torque + rng.normal(0.0, 0.25, rpm.size)
        rows = (f"{0.02 * i:.2f},{r:.0f},{t:.2f},99.4,100,{intake:g},{exhaust:g}\n"
                for i, (r, t) in enumerate(zip(rpm, torque, strict=True)))  # fmt: skip
        (folder / f"pull-{number:02d}.csv").write_text("s,rpm,lb-ft,map,tps,in,ex\n" + "".join(rows), encoding="utf-8")


def filled(text: str) -> str:
    """The project with what is typed into it."""
    section, lines = "", []
    for line in text.splitlines():
        if head := re.fullmatch(r"\[\[?([\w.]+)\]\]?", line):
            section = head[1]
        if (key := re.match(r'(\w+) = "\?"', line)) is not None:
            value = IN_THE_FILE[section][key[1]]
            line = f'{key[1]} = "{value}"' if isinstance(value, str) else f"{key[1]} = {value}"
        lines.append(line)
    return "\n".join([*lines, *GUARD, ""])


def test_from_nothing_to_tables_in_inches(tmp_path: Path) -> None:
    folder = tmp_path / "kestrel"
    project, run = folder / "project.toml", CliRunner()
    assert len(ANSWERS) <= 20
    assert answered(folder) == 0
    measured(folder)
    text = project.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 120
    limits = run.invoke(app, ["limits", str(project)])
    assert limits.exit_code == 0, limits.output  # at the first attempt, the dyno's blanks still open
    assert "CLEAR" in limits.output
    assert "tables_only_guard" in limits.output or "Full travel" in limits.output
    assert " in" in limits.output or "thou" in limits.output

    pulled(folder / "logs")
    project.write_text(filled(text), encoding="utf-8")
    asked = [word for answer in ANSWERS.values() for word in answer.replace(" x ", " ").split()]
    asked.remove("four")  # of the engine's name
    typed = len(asked) + sum(map(len, IN_THE_FILE.values())) + 1  # the guard
    print(f"values typed: {typed}")
    assert typed <= 45
    reduced = run.invoke(app, ["reduce", str(project)])
    assert reduced.exit_code == 0, reduced.output
    built = run.invoke(app, ["build", str(project), "--out", str(tmp_path / "out")])
    assert built.exit_code == 0, built.output
    assert (tmp_path / "out" / "intake_phase.csv").exists()
    assert (tmp_path / "out" / "exhaust_phase.csv").exists()
