"""What `phaseopt limits` found."""

from typing import Self

from pydantic import Field

from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.limits import Limits, SpeedLimits
from phaseopt.clearance.model import ContactModel
from phaseopt.engine.degree_in import DegreedIn
from phaseopt.output.records.base import CommandRecord, Known, Record, RoundedDown
from phaseopt.output.records.pieces import BoxRecord, FaultRecord, FullTravelRecord
from phaseopt.project import SIDES, Side
from phaseopt.report.drop_table import ANGLES
from phaseopt.report.subjects.limits import limits_notes, tried_words


class ClampsRecord(Record):
    """Limits by speed: each list has an entry a speed. Phases are crank degrees from rest, + = advanced."""

    rpm: tuple[float, ...] = Field(description="engine speeds, rpm")
    intake_from: tuple[Known, ...] = Field(description="most retarded intake phase")
    intake_to: tuple[Known, ...] = Field(description="most advanced intake phase")
    exhaust_from: tuple[Known, ...] = Field(description="most retarded exhaust phase")
    exhaust_to: tuple[Known, ...] = Field(description="most advanced exhaust phase")
    intake_limited_by: tuple[str, ...] = Field(description="what stops further advance of the intake cam")
    exhaust_limited_by: tuple[str, ...] = Field(description="what stops further retard of the exhaust cam")

    @classmethod
    def of(cls, clamps: SpeedLimits) -> Self:
        """From clamps by speed, as `Limits` has them."""
        return cls(**{name: tuple(getattr(clamps, name)) for name in cls.model_fields})


class DropRecord(Record):
    """Valve drop by crank angle of one kind of valve."""

    crank_deg: tuple[float, ...] = Field(description="crank degrees after gas-exchange TDC")
    fitted: tuple[RoundedDown, ...] = Field(description="drop as fitted to what was measured, mm")
    used: tuple[RoundedDown, ...] = Field(description="drop used, after measuring error, mm, rounded down")
    by_source: dict[str, tuple[RoundedDown, ...]] = Field(description="drop as each source has it by itself, mm")
    worst_cylinder: int = Field(description="cylinder with the least")

    @classmethod
    def of(cls, law: DropLaw) -> Self:
        """From the drop that the contact model uses."""
        return cls(
            crank_deg=ANGLES.tolist(),
            fitted=law.fitted(ANGLES).tolist(),
            used=law.low(ANGLES).tolist(),
            by_source={name: alone.fitted(ANGLES).tolist() for name, alone in law.alone.items()},
            worst_cylinder=law.worst,
        )


class DropsRecord(Record):
    """Valve drop of both kinds of valve."""

    intake: DropRecord = Field(description="intake valves")
    exhaust: DropRecord = Field(description="exhaust valves")


class TimingRecord(Record):
    """Where readings on the engine put a cam."""

    checked: bool = Field(description="whether the readings tell an angle")
    off: Known = Field(description="how much later the lobe's centre is than stated, crank degrees")
    error: Known = Field(description="within how many crank degrees that is known, 95 %")
    also_possible: tuple[str, ...] = Field(
        description="mistakes that the readings leave possible; clear holds for each"
    )

    @classmethod
    def of(cls, read: DegreedIn | None) -> Self:
        """From what the readings say; not checked where there are none."""
        if read is None:
            return cls(checked=False, off=0.0, error=0.0, also_possible=())
        others = tuple(other.mistake for other in read.others)
        return cls(checked=read.timed, off=round(read.off, 2), error=round(read.error, 2), also_possible=others)


class TimingsRecord(Record):
    """Cam timing of both cams, as read on the assembled engine."""

    intake: TimingRecord = Field(description="intake cam")
    exhaust: TimingRecord = Field(description="exhaust cam")


class SpringRecord(Record):
    """Valve control of one cam's springs."""

    valve_control_rpm: Known = Field(description="up to what speed the spring holds the valve to the lobe, rpm")
    error_rpm: Known = Field(description="within how much that is known, 95 %, rpm")
    held_rpm: Known = Field(description="up to where it is held for certain, rpm; above it no speed is clear")
    opening_rpm: Known = Field(description="the same for the opening side of the nose, rpm")
    closing_rpm: Known = Field(description="the same for the closing side of the nose, rpm")
    in_hand: Known = Field(description="spring force over inertia, less 1, at the top speed, the lesser side")
    seat_force: Known = Field(description="force on the seat, N")
    seat_force_needed: Known | None = Field(
        description="for 20 % in hand at the top speed, N; null where no shim gives it"
    )
    shim: Known | None = Field(description="shim that gives that force, mm")
    coil_bind: Known = Field(description="left before coil bind at full lift, mm")
    retainer_to_seal: Known | None = Field(description="left between retainer and seal at full lift, mm")
    surge_hz: tuple[Known, Known] = Field(description="between what the coils' lowest surge frequency is, Hz")
    separation: Known = Field(description="the most that float takes from the clearance to the piston at top speed, mm")

    @classmethod
    def of(cls, model: ContactModel, side: Side) -> Self | None:
        """From the contact model; None where no spring is given."""
        control = model.engine.cam(side).control
        if control is None:
            return None
        shim, seal = control.shim(model.top_speed), control.spring.retainer_to_seal
        return cls(
            valve_control_rpm=round(control.speed.rpm),
            error_rpm=round(control.speed.error),
            held_rpm=int(control.least),
            opening_rpm=round(control.opening.rpm),
            closing_rpm=round(control.closing.rpm),
            in_hand=round(float(min(control.margins(model.top_speed))), 3),
            seat_force=round(control.spring.seat_force, 1),
            seat_force_needed=round(shim.seat_force, 1) if shim is not None else None,
            shim=round(shim.thickness, 2) if shim is not None else None,
            coil_bind=round(control.spring.coil_bind, 3),
            retainer_to_seal=round(seal, 3) if seal is not None else None,
            surge_hz=(round(control.spring.surge[0]), round(control.spring.surge[1])),
            separation=round(float(model.running_terms(f"{side}_piston", model.top_speed)["loft"]), 3),
        )


class SpringsRecord(Record):
    """Valve springs of both cams; null where the project gives none."""

    intake: SpringRecord | None = Field(description="intake springs")
    exhaust: SpringRecord | None = Field(description="exhaust springs")


class LimitsRecord(CommandRecord):
    """Contact limits from geometry alone."""

    project: str = Field(description="name of the project")
    changes: tuple[str, ...] = Field(description="changes of the project file that were only tried, KEY=VALUE")
    top_speed_rpm: float = Field(description="up to where contact was judged, rpm")
    safe_boxes: tuple[BoxRecord, ...] = Field(description="phases that are safe in any combination up to that speed")
    alone: ClampsRecord = Field(description="limits by speed with the other cam at rest")
    together: ClampsRecord = Field(description="limits by speed of both cams together")
    full_travel: FullTravelRecord = Field(description="the whole travel of the phasers")
    faults: tuple[FaultRecord, ...] = Field(description="what each fault of a phaser would do")
    drops: DropsRecord = Field(description="valve drop that the limits rest on")
    timing: TimingsRecord = Field(description="whether the cams are where the project says")
    springs: SpringsRecord = Field(description="how far the valve springs hold the valves to their lobes")
    notes: tuple[str, ...] = Field(description="what goes with the result, in sentences")
    not_covered: tuple[str, ...] = Field(description="contacts that nothing here looks at: show them beside a verdict")

    @classmethod
    def of(cls, limits: Limits, changes: tuple[str, ...] = ()) -> Self:
        """From the limits; `changes` of the project file that were only tried."""
        model = limits.contact
        return cls(
            project=model.project.name,
            changes=changes,
            top_speed_rpm=model.top_speed,
            safe_boxes=tuple(BoxRecord.of(box) for box in limits.boxes),
            alone=ClampsRecord.of(limits.alone),
            together=ClampsRecord.of(limits.together),
            full_travel=FullTravelRecord.model_validate(limits.full_travel),
            faults=tuple(FaultRecord.of(fault) for fault in limits.faults),
            drops=DropsRecord(**{side: DropRecord.of(law) for side, law in model.drops.items()}),
            timing=TimingsRecord(**{side: TimingRecord.of(model.engine.cam(side).read) for side in SIDES}),
            springs=SpringsRecord(**{side: SpringRecord.of(model, side) for side in SIDES}),
            notes=(*tried_words(changes), *limits_notes(limits)),
            not_covered=model.not_covered,
        )
