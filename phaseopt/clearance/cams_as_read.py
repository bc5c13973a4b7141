"""What readings on the assembled engine leave of its cams: the shapes they may have, and the errors of their timing."""

from collections.abc import Mapping
from dataclasses import replace

from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.drop_carried import turn_of
from phaseopt.clearance.travel_left import contradiction, contradicts, moved_wheel
from phaseopt.engine.camshaft import Camshaft, Engine
from phaseopt.engine.degree_in import MOST_NAMED, FittedLobe
from phaseopt.project import SIDES, Project, Side
from phaseopt.values.errors import InputError


def reads_travel(project: Project, side: Side) -> bool:
    """Whether the travel left to the piston was read with a cam fitted."""
    read = project.cam(side).degree_in
    return read is not None and bool(read.travel_left)


def possible(project: Project, engine: Engine, law: DropLaw, side: Side) -> list[FittedLobe | None]:
    """What a cam may be by the readings of its timing and by the travel left, over one drop; None for it as given."""
    read = engine.cam(side).read
    shapes: list[FittedLobe | None] = [None, *(read.others if read is not None else ())]
    found = ((shape, shaped(engine, {side: shape})) for shape in shapes)
    return [shape for shape, cams in found if not contradicts(as_read_on(project, cams), side, law, cams.cam(side))]


def refuse_contradicted(
    project: Project,
    engine: Engine,
    laws: dict[Side, DropLaw],
    shapes: dict[Side, list[FittedLobe | None]],
    swapped: dict[Side, list[FittedLobe | None]],
) -> None:
    """Refuse a project whose gaps are not those read on the engine, with the mistakes that would explain them."""
    mistakes = []
    for side in (side for side in SIDES if None not in shapes[side]):
        drops = "the drop readings of intake and exhaust are swapped"
        likely = [drops] if None in swapped[side] else []
        likely += [shape.mistake for shape in shapes[side] if shape is not None]
        likely += [f"{drops} and {shape.mistake}" for shape in swapped[side] if shape is not None and not likely]
        amended = as_read_on(project, engine)
        moved = moved_wheel(amended, side, laws[side], engine.cam(side))
        if moved is not None:
            likely.append(
                f"the degree wheel was moved by about {max(round(2 * abs(moved)) / 2, 0.5):g}° since the drop "
                "readings: prove TDC, then read this cam again, without same_wheel"
            )
        mistakes.append(contradiction(amended, side, laws[side], engine.cam(side), likely[:MOST_NAMED]))
    if mistakes:
        raise InputError(mistakes)


def shaped(engine: Engine, shapes: Mapping[Side, FittedLobe | None]) -> Engine:
    """The engine with cams of other shapes, where they stand by their readings."""
    for side, shape in shapes.items():
        cam = engine.cam(side)
        if cam.read is not None and shape is not None:
            read = replace(cam.read, off=shape.off, error=shape.error, others=())
            engine = with_cam(engine, side, replace(cam, lobe=shape.lobe, most=shape.most, read=read))
    return engine


def left_possible(engine: Engine, shapes: dict[Side, list[FittedLobe | None]]) -> Engine:
    """The engine whose cams know what the travel left has not ruled out."""
    for side in SIDES:
        cam = engine.cam(side)
        if cam.read is not None:
            others = tuple(shape for shape in shapes[side] if shape is not None)
            engine = with_cam(engine, side, replace(cam, read=replace(cam.read, others=others)))
    return engine


def with_cam(engine: Engine, side: Side, cam: Camshaft) -> Engine:
    """The engine with another cam on a side."""
    return replace(engine, intake=cam) if side == "intake" else replace(engine, exhaust=cam)


def as_read_on(project: Project, engine: Engine) -> Project:
    """The project with the errors of timing that readings on an engine leave."""
    for side in SIDES:
        read = engine.cam(side).read
        if read is not None and read.timed:
            project = _with_error(project, side, read.error + turn_of(project))
    return project


def _with_error(project: Project, side: Side, error: float) -> Project:
    """The project with the error of a cam's timing that its readings leave, in place of centreline and flanks."""
    cam = project.cam(side)
    card = cam.card.model_copy(update={"asymmetry": 0.0}) if cam.card is not None else None
    return project.model_copy(update={side: cam.model_copy(update={"centreline_error": error, "card": card})})
