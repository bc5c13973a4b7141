"""What a builder answers before a project is written to fill in, and the values that go into the file."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from phaseopt.project.quantities import SIDES, Arrangement, Side
from phaseopt.values.display_units import Units

BLANK = "?"
LOBE_FILES = {side: f"{side}_lobe.csv" for side in SIDES}
LOGS = "logs/"  # the folder that logs are put into
DROP_FILES = {side: f"{side}_drop.csv" for side in SIDES}

Lobes = Literal["files", "card"]
DropBy = Literal["readings", "list", "at TDC", "clay"]
DROP_ANGLES = range(-15, 16, 5)  # crank degrees after TDC, common practice
TorqueBy = Literal["pulls", "simulation", "both"]

_LOADS = [30, 40, 50, 60, 70, 80, 90, 100]  # kPa, of an engine without a supercharger
_IDLE, _STEP = 1000, 500  # rpm: where the tables begin if nobody says, and how far apart their rows are


@dataclass(frozen=True)
class Answers:
    """The answers that decide what a project has to state; by default, the commonest.

    `moves`, which cams a phaser moves; `lobes`, measured or from a card; `drop`, how the clearance between valve and
    piston was found; `torque`, where it comes from, `measured`, at what; `units`, of numbers
    without one. `known` holds values by key
    ("crank.bore": 86.0, or "3.39 in"), what is not in it stays blank; `idle` in rpm is where the tables begin.

    >>> "intake.phaser" in Answers().sections, "exhaust.phaser" in Answers(moves="intake").sections
    (True, False)
    >>> Answers(known={"crank.redline": 2000.0}).values["tables.rpm"]
    [1000, 1500, 2000]
    """

    moves: Arrangement = "both"
    lobes: Lobes = "files"
    drop: DropBy = "readings"
    torque: TorqueBy = "pulls"
    units: Units = "metric"
    known: Mapping[str, Any] = field(default_factory=dict)
    idle: float | None = None
    measured: Literal["flywheel", "wheel"] = "flywheel"

    @property
    def moving(self) -> tuple[Side, ...]:
        """The cams that a phaser moves."""
        return tuple(side for side in SIDES if self.moves in (side, "both", "together"))

    @property
    def phasers(self) -> tuple[str, ...]:
        """The sections that describe a phaser."""
        return ("phaser",) if self.moves == "together" else tuple(f"{side}.phaser" for side in self.moving)

    @property
    def sections(self) -> frozenset[str]:
        """The sections that these answers call for, beside those that no project does without."""
        found = {*self.phasers, *(f"{phaser}.slew" for phaser in self.phasers), "gap.static"}
        if self.lobes == "card":
            found |= {f"{side}.card" for side in SIDES}
        if self.drop == "clay":
            found |= {f"drop.{side}.clay" for side in SIDES}
        if self.torque != "simulation":
            found |= {"torque", "torque.units", "torque.phases", "torque.weather", "torque.dyno"}
            found |= {"torque.dyno.driveline"} if self.measured == "wheel" else set()
            found |= {f"torque.phases.{side}" for side in self.moving}
        if self.torque != "pulls":
            found |= {"cycle", "cycle.intake.runner", "cycle.exhaust.primary", "cycle.exhaust.tail"}
        if self.torque == "both":
            found |= {"torque.prior"}
        return frozenset(found)

    @property
    def values(self) -> dict[str, Any]:
        """Values by key: those known, and blanks for keys that may be left out but should not be."""
        # Not asking for these would be wrong: they decide what hits, and 0 is seldom true of a cam fitted anew.
        found: dict[str, Any] = {f"{side}.{key}": BLANK for side in SIDES for key in ("lash", "offset")}
        for side in SIDES:
            if self.lobes == "files":
                found[f"{side}.lobe"] = LOBE_FILES[side]
            else:
                found[f"{side}.card.durations.degrees"] = BLANK
            if self.drop == "readings":
                found[f"drop.{side}.readings"] = DROP_FILES[side]
            elif self.drop == "list":
                found[f"drop.{side}.around_tdc"] = [[angle, BLANK] for angle in DROP_ANGLES]
            elif self.drop == "at TDC":
                found[f"drop.{side}.at_tdc"] = BLANK
        if self.torque != "simulation":
            found |= self._log
        if self.torque != "pulls":
            found |= {"cycle.plenum_volume": BLANK, "firing_order": BLANK}
            found |= {"crank.compression_ratio": BLANK, **{f"{side}.head_diameter": BLANK for side in SIDES}}
        if self.units == "inch":
            found["units"] = "inch"
        return found | {"tables.rpm": self._speeds, "tables.load": _LOADS, **self.known}

    @property
    def _log(self) -> dict[str, Any]:
        """What has to be stated of a log: a unit or a sign that nobody stated is the commonest mistake."""
        asked = ("columns.time", "columns.torque", "columns.throttle", "units.torque", "units.load")
        found: dict[str, Any] = {f"torque.{key}": BLANK for key in asked}
        found |= {f"torque.columns.{side}_phase": BLANK for side in self.moving}
        found |= {"torque.correction": "SAE J1349", "torque.full_throttle.throttle_above": 95}
        found["torque.dyno.at"] = self.measured
        if self.measured == "wheel":
            found |= {"torque.dyno.ratio": BLANK, "torque.dyno.driveline.share": BLANK}
        return found | {"torque.logs": LOGS, "torque.kind": "sweep"}

    @property
    def _speeds(self) -> Any:
        redline = self.known.get("crank.redline")
        if not isinstance(redline, int | float):
            return BLANK
        first = int(self.idle or _IDLE)
        even = range(-(-(first + 1) // _STEP) * _STEP, int(redline), _STEP)
        return [first, *(rpm for rpm in even if rpm - first >= _STEP // 2), int(redline)]
