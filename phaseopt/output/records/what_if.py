"""What `phaseopt build --set` found."""

from typing import Self

from pydantic import Field

from phaseopt.job.build import Build
from phaseopt.output.records.base import CommandRecord, Figure, Known, Record, RoundedDown
from phaseopt.output.records.pieces import ContactVerdict
from phaseopt.report.facts import closest
from phaseopt.report.gains import peak_power
from phaseopt.study.what_if import TorqueDifference, Variant, WhatIf


class DifferenceRecord(Record):
    """Mean torque at full throttle against the project as it is, by area under the curve."""

    from_rpm: float = Field(description="least speed that both know, rpm")
    to_rpm: float = Field(description="greatest speed that both know, rpm")
    before_Nm: Figure = Field(description="of the project as it is, N·m")
    after_Nm: Figure = Field(description="with the changes, N·m")
    gain_Nm: Figure = Field(description="the difference, N·m")
    gain_sd_Nm: Figure = Field(description="its standard deviation, N·m")
    at_most: bool = Field(description="whether that deviation counts nothing that the two torque models share")

    @classmethod
    def of(cls, found: TorqueDifference) -> Self:
        """From a difference."""
        return cls(
            from_rpm=found.rpm[0],
            to_rpm=found.rpm[1],
            before_Nm=found.first,
            after_Nm=found.second,
            gain_Nm=found.mean,
            gain_sd_Nm=found.deviation,
            at_most=found.at_most,
        )


class BuiltStateRecord(Record):
    """What a build found, in short."""

    accepted: bool = Field(description="whether its tables keep the contact rules that the project chooses")
    clear: bool = Field(description="whether its tables are clear in any combination")
    full_travel: ContactVerdict = Field(description="verdict on full travel")
    closest_contact: str = Field(description="the contact with the least margin")
    closest_static: RoundedDown = Field(description="its static clearance, worst case, mm")
    closest_running: RoundedDown = Field(description="its running clearance, worst case, mm")
    peak_power_kW: Known = Field(description="at full throttle, kW; null where it is not known")
    peak_power_rpm: Known = Field(description="the speed of it, rpm")

    @classmethod
    def of(cls, build: Build) -> Self:
        """From a build."""
        near, peaks = closest(build), peak_power(build)
        power, rpm = (None, None) if peaks is None else peaks[1]
        return cls(
            accepted=build.verdict.accepted,
            clear=build.verdict.clear,
            full_travel=build.limits.full_travel.verdict,
            closest_contact=near.contact,
            closest_static=near.static,
            closest_running=near.running,
            peak_power_kW=power,
            peak_power_rpm=rpm,
        )


class VariantRecord(Record):
    """What some changes do."""

    changes: tuple[str, ...] = Field(description="the changes, KEY=VALUE")
    built: BuiltStateRecord | None = Field(description="what the build found; null where there is none")
    torque: DifferenceRecord | None = Field(description="torque against the project as it is; null where not known")
    refused: str = Field(description="why there is no build; empty where there is one")

    @classmethod
    def of(cls, variant: Variant) -> Self:
        """From an variant."""
        return cls(
            changes=variant.changes,
            built=None if variant.build is None else BuiltStateRecord.of(variant.build),
            torque=None if variant.difference is None else DifferenceRecord.of(variant.difference),
            refused=variant.refused,
        )


class WhatIfRecord(CommandRecord):
    """A project as it is and with changes; nothing was written."""

    project: str = Field(description="name of the project")
    base: BuiltStateRecord = Field(description="the project as it is")
    alone: tuple[VariantRecord, ...] = Field(description="each change by itself; empty where there is one")
    together: VariantRecord = Field(description="all changes")
    interplay_Nm: Figure = Field(description="together less the sum of each alone, N·m; null where not known")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, found: WhatIf) -> Self:
        """From changes tried."""
        return cls(
            project=found.base.project.name,
            base=BuiltStateRecord.of(found.base),
            alone=tuple(map(VariantRecord.of, found.alone)),
            together=VariantRecord.of(found.together),
            interplay_Nm=found.interplay,
            not_covered=found.not_covered,
        )
