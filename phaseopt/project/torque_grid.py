"""The torque grid section of a project file: torque over speed, load and both timings, from elsewhere."""

from typing import Annotated

from pydantic import Field, model_validator

from phaseopt.project.logs import unit_like
from phaseopt.project.quantities import CrankDegrees, InputFile, ProjectSection, fault


class GridColumns(ProjectSection):
    """The grid file's own column names. Each cam that moves has its true centreline, or its phase.

    Examples
    --------
    >>> GridColumns(icl="icl", exhaust_phase="ex_deg").torque
    'torque'
    """

    rpm: str = Field("rpm", description="engine speed column")
    load: str = Field("load", description="load column, in the tables' loads: the last one is full throttle")
    torque: str = Field("torque", description="torque column; an empty cell is a hole in the grid")
    error: str | None = Field(None, description="column of the standard error of torque, in the unit of torque")
    icl: str | None = Field(None, description="intake centreline column, crank degrees after TDC")
    ecl: str | None = Field(None, description="exhaust centreline column, crank degrees before TDC")
    intake_phase: str | None = Field(
        None, description="intake phase column in place of icl, crank degrees from rest, + = advanced"
    )
    exhaust_phase: str | None = Field(
        None, description="exhaust phase column in place of ecl, crank degrees from rest, + = advanced"
    )

    @model_validator(mode="after")
    def _one_of_each(self) -> "GridColumns":
        for centre, phase in (("icl", "intake_phase"), ("ecl", "exhaust_phase")):
            if getattr(self, centre) is not None and getattr(self, phase) is not None:
                raise fault(f"{centre} and {phase} are both given", "name one of the two")
        named = [column for _, column in self if column is not None]
        for column in named:
            if named.count(column) > 1:
                raise fault(f"the column {column!r} is named twice", "name a column for each quantity")
        return self


class GridUnits(ProjectSection):
    """Units of the grid's columns where they are not N·m and kPa.

    Examples
    --------
    >>> GridUnits(torque="lbf ft").load
    'kPa'
    """

    torque: Annotated[str, unit_like("N m")] = Field("N m", description='such as "N m" or "lbf ft"')
    load: Annotated[str, unit_like("kPa")] = Field("kPa", description='such as "kPa", "mbar" or "psi"')


class GridOffsets(ProjectSection):
    """How the cams were fitted for the grid's phases.

    Examples
    --------
    >>> GridOffsets(intake=-6.0).intake
    -6.0
    """

    intake: CrankDegrees | None = Field(
        None, gt=-90, lt=90, description="intake installed offset of the grid's phases, crank degrees"
    )
    exhaust: CrankDegrees | None = Field(
        None, gt=-90, lt=90, description="exhaust installed offset of the grid's phases, crank degrees"
    )


class TorqueGrid(ProjectSection):
    """Torque over a full grid of speed, load and both timings, from elsewhere, in place of pulls.

    Examples
    --------
    >>> grid = TorqueGrid(file="examples/hillclimb/true-torque.csv", origin="our own simulation of May")
    >>> grid.columns.rpm, grid.units.torque
    ('rpm', 'N m')
    """

    file: InputFile = Field(description="CSV of the grid, one row a node")
    origin: str | None = Field(
        None,
        min_length=1,
        max_length=200,
        description='where its torque comes from, for reports: "our own simulation of May"',
    )
    columns: GridColumns = Field(default_factory=GridColumns)
    units: GridUnits = Field(default_factory=GridUnits)
    offsets: GridOffsets = Field(default_factory=GridOffsets)
