"""What `phaseopt compare` found."""

from typing import Any, Self

import numpy as np
import xarray as xr
from pydantic import Field

from phaseopt.output.compare import Comparison, Difference, Dips, LeastClearance, PeakPower
from phaseopt.output.records.base import CommandRecord, Figure, Known, Record, RoundedDown
from phaseopt.output.records.build import CarriedRecord, DipRecord
from phaseopt.output.records.pieces import ContactVerdict, Rule
from phaseopt.output.records.what_if import VariantRecord
from phaseopt.project import Side
from phaseopt.study.what_if import WhatIf


class ChangeRecord(Record):
    """Something that differs; null in the build that does not have it."""

    what: str = Field(description="key, file or limit")
    first: Any = Field(description="in the first")
    second: Any = Field(description="in the second")

    @classmethod
    def of(cls, change: Difference) -> Self:
        """From a change."""
        return cls(what=change.what, first=change.first, second=change.second)


class CellsMovedRecord(Record):
    """Cells whose phase differs; null where not both builds have a table that can be compared."""

    intake: int | None = Field(None, description="intake cam")
    exhaust: int | None = Field(None, description="exhaust cam")


class LeastClearanceRecord(Record):
    """The least clearance of a build, and where."""

    clearance: RoundedDown = Field(description="mm, rounded down")
    rpm: float = Field(description="rpm")
    load: float = Field(description="kPa")


class ClearanceChangeRecord(Record):
    """The least clearance of one contact by one rule."""

    contact: str = Field(description="which contact")
    rule: Rule = Field(description="which rule")
    first: LeastClearanceRecord = Field(description="in the first")
    second: LeastClearanceRecord = Field(description="in the second")

    @classmethod
    def of(cls, contact: str, rule: str, both: tuple[LeastClearance, LeastClearance]) -> Self:
        """From the least clearances of both."""
        first, second = map(LeastClearanceRecord.model_validate, both)
        return cls.model_validate({"contact": contact, "rule": rule, "first": first, "second": second})


class TravelChangeRecord(Record):
    """The verdicts on full travel."""

    first: ContactVerdict = Field(description="in the first")
    second: ContactVerdict = Field(description="in the second")


class FullLoadRecord(Record):
    """Torque at full load of both, at speeds that were measured where any were: each list has an entry a speed."""

    rpm: tuple[float, ...] = Field(description="rpm")
    first_Nm: tuple[Known, ...] = Field(description="of the first, N·m")
    second_Nm: tuple[Known, ...] = Field(description="of the second, N·m")
    difference_Nm: tuple[Known, ...] = Field(description="second less first, N·m")
    difference_sd_Nm: tuple[Known, ...] = Field(description="its standard deviation, N·m; at most, where `at_most`")

    @classmethod
    def of(cls, torque: xr.Dataset) -> Self:
        """From torque at full load as compared."""
        names = {
            "first": "first_Nm",
            "second": "second_Nm",
            "difference": "difference_Nm",
            "deviation": "difference_sd_Nm",
        }
        return cls(
            rpm=torque["rpm"].to_numpy().tolist(),
            **{key: torque[name].to_numpy().tolist() for name, key in names.items()},
        )


class MeanFullLoadRecord(Record):
    """Mean torque at full load over the measured speeds that both share, by area under the curve."""

    first_Nm: Figure = Field(description="of the first, N·m")
    second_Nm: Figure = Field(description="of the second, N·m")
    difference_Nm: Figure = Field(description="second less first, N·m")
    difference_sd_Nm: Figure = Field(description="its standard deviation, N·m; at most, where `at_most`")


class CorrectedRecord(Record):
    """The mean difference with what the pulls of one build show of the other's simulation."""

    difference_Nm: Figure = Field(description="second less first, N·m")
    difference_sd_Nm: Figure = Field(description="its standard deviation, N·m")


class DipPairRecord(Record):
    """A dip that both builds have."""

    first: DipRecord = Field(description="in the first")
    second: DipRecord = Field(description="in the second")


class DipChangesRecord(Record):
    """Dips at full load by what became of them."""

    gone: tuple[DipRecord, ...] = Field(description="only in the first")
    new: tuple[DipRecord, ...] = Field(description="only in the second")
    both: tuple[DipPairRecord, ...] = Field(description="in both")

    @classmethod
    def of(cls, dips: Dips) -> Self:
        """From dips as compared."""
        gone, new, both = dips
        return cls(
            gone=tuple(gone), new=tuple(new), both=tuple(DipPairRecord(first=one, second=other) for one, other in both)
        )


class PeakRecord(Record):
    """Peak power at full throttle."""

    power_kW: float = Field(description="kW")
    power_sd_kW: float = Field(description="its standard deviation, kW")
    rpm: float = Field(description="its speed, rpm")


class PeakPowerRecord(Record):
    """Peak power of both builds, null where it is not known."""

    first: PeakRecord | None = Field(description="in the first")
    second: PeakRecord | None = Field(description="in the second")

    @classmethod
    def of(cls, peaks: tuple[PeakPower | None, PeakPower | None]) -> Self:
        """From both peaks."""
        first, second = (
            None if each is None else PeakRecord(power_kW=each[0], rpm=each[1], power_sd_kW=each[2]) for each in peaks
        )
        return cls(first=first, second=second)


class CarriedChangeRecord(Record):
    """Drop readings that each build carried over to other parts; null where it did not."""

    first: CarriedRecord | None = Field(description="in the first")
    second: CarriedRecord | None = Field(description="in the second")


class CompareRecord(CommandRecord):
    """Two finished builds side by side."""

    first: str = Field(description="directory of the first")
    second: str = Field(description="directory of the second")
    same: bool = Field(description="whether nothing differs")
    keys: tuple[ChangeRecord, ...] = Field(description="keys of the project files")
    files: tuple[ChangeRecord, ...] = Field(description="input files, by their SHA-256")
    cells_moved: CellsMovedRecord = Field(description="cells whose phase differs")
    clamps: tuple[ChangeRecord, ...] = Field(description="clamps to enter, crank degrees")
    clearances: tuple[ClearanceChangeRecord, ...] = Field(description="least clearance by contact and rule")
    full_travel: TravelChangeRecord = Field(description="the verdicts on full travel")
    full_load: FullLoadRecord | None = Field(description="torque at full load; null where no speeds are shared")
    mean_full_load: MeanFullLoadRecord | None = Field(description="its mean; null where no speeds are shared")
    at_most: bool = Field(description="whether deviations of these differences count nothing that both builds share")
    corrected: CorrectedRecord | None = Field(
        description="the mean difference with what the pulls of one build show of the other's simulation; null where "
        "both rest on pulls, or neither"
    )
    dips: DipChangesRecord = Field(description="dips by what became of them")
    limit_costs: tuple[ChangeRecord, ...] = Field(description="what limits cost, N·m a cell")
    peak_power: PeakPowerRecord = Field(description="peak power at full throttle")
    old_drop_readings: tuple[Side, ...] = Field(
        description="sides whose drop readings are the same in both, though stroke, rod, piston or deck are not: "
        "contact in one of the builds rests on readings of another engine"
    )
    carried_drops: CarriedChangeRecord = Field(description="drop readings carried over to other parts")
    undated_pulls: tuple[Side, ...] = Field(
        description="cams whose offset is another in the second, while the same pulls state none: each build counts "
        "them at its own"
    )
    alone: tuple[VariantRecord, ...] | None = Field(
        description="what each change does by itself; null where it was not asked for"
    )
    together: VariantRecord | None = Field(description="what all changes do; null where it was not asked for")
    interplay_Nm: Figure = Field(description="together less the sum of each alone, N·m; null where not known")
    not_compared: tuple[str, ...] = Field(description="what cannot be compared, in sentences")

    @classmethod
    def of(cls, found: Comparison, shares: WhatIf | None = None) -> Self:
        """From a comparison, and the shares of the changes in it."""
        first, second = found.builds
        moved = {side: int((np.abs(each["difference"].to_numpy()) > 1e-9).sum()) for side, each in found.tables.items()}
        mean = None
        if found.mean is not None:
            mean = MeanFullLoadRecord(**dict(zip(MeanFullLoadRecord.model_fields, found.mean, strict=True)))
        corrected = None
        if found.corrected is not None:
            corrected = CorrectedRecord(difference_Nm=found.corrected[0], difference_sd_Nm=found.corrected[1])
        return cls(
            first=str(first.directory),
            second=str(second.directory),
            same=found.same,
            keys=tuple(map(ChangeRecord.of, found.keys)),
            files=tuple(map(ChangeRecord.of, found.files)),
            cells_moved=CellsMovedRecord(**moved),
            clamps=tuple(map(ChangeRecord.of, found.clamps)),
            clearances=tuple(ClearanceChangeRecord.of(*which, both) for which, both in found.clearances.items()),
            full_travel=TravelChangeRecord(
                first=first.record.verdict.full_travel.verdict, second=second.record.verdict.full_travel.verdict
            ),
            full_load=None if found.torque is None else FullLoadRecord.of(found.torque),
            mean_full_load=mean,
            at_most=not found.paired,
            corrected=corrected,
            dips=DipChangesRecord.of(found.dips),
            limit_costs=tuple(map(ChangeRecord.of, found.limit_costs)),
            peak_power=PeakPowerRecord.of(found.peaks),
            old_drop_readings=found.old_drops,
            carried_drops=CarriedChangeRecord(first=found.carried[0], second=found.carried[1]),
            undated_pulls=found.undated,
            alone=None if shares is None else tuple(map(VariantRecord.of, shares.alone)),
            together=None if shares is None else VariantRecord.of(shares.together),
            interplay_Nm=None if shares is None else shares.interplay,
            not_compared=found.apart,
        )
