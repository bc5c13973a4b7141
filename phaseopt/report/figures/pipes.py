"""The pipes as they were read: every part with its name, lengths and diameters, so that a slip is seen."""

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.pipework import AIR, SHUT, Duct, Honeycomb, Packing, Pipework, cylinder_name
from phaseopt.cycle.usual_pipework import pipework_of
from phaseopt.report.figures.drawing import COLOURS, EDGE, INK, PANEL, PAPER, Drawing, sized, styled
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit

_COLUMN, _ROW = 165.0, 72.0  # pixels from part to part
_WIDE = 0.18  # pixels of a pipe's width a mm of its diameter
_CLOSEST = 0.8  # rows between parts of a column


@dataclass(frozen=True)
class _Spot:
    """Where a part is drawn: columns from the cylinders, rows from the top."""

    column: int
    row: float


def pipes_drawing(config: CycleConfig, size: Unit) -> Drawing:
    """A plan of all that is simulated, the flow from left to right: widths and tapers to scale, lengths not.

    Parameters: `size`, the unit of lengths and diameters.
    """
    work = pipework_of(config)
    drawn = [duct for duct in work.ducts if SHUT not in (duct.start, duct.end)]
    spots = _spots(work, drawn, config.cylinders)
    columns = [spot.column for spot in spots.values()]
    rows = [spot.row for spot in spots.values()]
    with styled():
        width, height = (max(columns) - min(columns) + 0.8) * _COLUMN, (max(rows) - min(rows) + 1.6) * _ROW
        figure = sized(width, height)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(min(columns) - 0.4, max(columns) + 0.4)
        axes.set_ylim(max(rows) + 0.8, min(rows) - 0.8)
        _draw_ducts(axes, work, drawn, spots, size)
        _draw_parts(axes, work, spots)
    return Drawing(figure, "pipes", "Pipes as simulated, from the open air through the cylinders to the open air")


def _at(duct: Duct, name: str) -> str:
    """The key of a pipe's end: each end in the open air is a place of its own."""
    return f"{AIR} {duct.name}" if name == AIR else name


def _links(work: Pipework, drawn: Iterable[Duct]) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """What each side joins, in the direction of the flow; throttles too."""
    links: dict[bool, list[tuple[str, str]]] = {True: [], False: []}
    for duct in drawn:
        links[duct.zone == "intake"].append((_at(duct, duct.start), _at(duct, duct.end)))
    for volume in work.volumes:
        if volume.throttle_from is not None:
            source = volume.throttle_from
            links[True].append((f"{AIR} {volume.name}" if source == AIR else source, volume.name))
    return links[True], links[False]


def _spots(work: Pipework, drawn: list[Duct], cylinders: int) -> dict[str, _Spot]:
    """A column for each step away from the cylinders; a part is level with the middle of what it joins there."""
    intake, exhaust = _links(work, drawn)
    found = {cylinder_name(number): _Spot(0, float(number)) for number in range(1, cylinders + 1)}
    for links, way in (([(end, start) for start, end in intake], -1), (exhaust, 1)):
        steps = _steps(links)
        beside = defaultdict[str, list[str]](list)
        for near, far in links:
            beside[far].append(near)
        for step in range(1, max(steps.values(), default=0) + 1):
            column = [name for name, at in steps.items() if at == step]
            rows = {name: sum(found[near].row for near in beside[name]) / len(beside[name]) for name in column}
            last = -1e9
            for name in sorted(column, key=lambda name: (rows[name], min(found[near].row for near in beside[name]))):
                last = max(rows[name], last + _CLOSEST)
                found[name] = _Spot(way * step, last)
    return found


def _steps(links: list[tuple[str, str]]) -> dict[str, int]:
    """How many pipes the longest way from a cylinder to each part has."""
    steps = {near: 0 for near, _ in links if near.startswith("cylinder ")}
    for _ in links:
        for near, far in links:
            if near in steps:
                steps[far] = max(steps.get(far, 0), steps[near] + 1)
    return steps


def _draw_ducts(axes: Axes, work: Pipework, drawn: list[Duct], spots: dict[str, _Spot], size: Unit) -> None:
    alike = defaultdict[tuple[str, str], list[Duct]](list)
    for duct in drawn:
        alike[re.sub(r" \d+(?=$|, mouth$)", "", duct.name), _measures(duct, work, size)].append(duct)
    for (name, measures), ducts in alike.items():
        for duct in ducts:
            start, end = spots[_at(duct, duct.start)], spots[_at(duct, duct.end)]
            colour = COLOURS["intake" if duct.zone == "intake" else "exhaust"]
            axes.add_patch(Polygon(_outline(duct, start, end), fc=PANEL, ec=colour, lw=1.2, zorder=1))
        many = f"{len(ducts)} × {name}" if len(ducts) > 1 else ducts[0].name
        top = min(ducts, key=lambda duct: spots[_at(duct, duct.start)].row + spots[_at(duct, duct.end)].row)
        start, end = spots[_at(top, top.start)], spots[_at(top, top.end)]
        x, y = (start.column + end.column) / 2, (start.row + end.row) / 2
        paper = {"boxstyle": "square,pad=0.1", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.85}
        words = f"{many}\n{measures}"
        above = y - 0.06 - 0.5 * _WIDE * max(max(s.start, s.end) for s in top.pipe.sections) / _ROW
        axes.text(x, above, words, ha="center", va="bottom", fontsize=8, color=INK, bbox=paper, zorder=3)
    for volume in work.volumes:
        if volume.throttle_from is not None:
            source = f"{AIR} {volume.name}" if volume.throttle_from == AIR else volume.throttle_from
            start, end = spots[source], spots[volume.name]
            axes.plot([start.column, end.column], [start.row, end.row], "--", color=EDGE, lw=1.2, zorder=1)


def _outline(duct: Duct, start: _Spot, end: _Spot) -> FloatArray:
    """The walls of a pipe between two spots: each piece by its share of the length, as wide as its diameters are."""
    scale = np.array([_COLUMN, _ROW])
    ends = np.array([(spot.column, spot.row) for spot in (start, end)]) * scale
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    lengths = np.cumsum([0.0, *(piece.length for piece in duct.pipe.sections)])
    places = np.repeat(lengths / lengths[-1], 2)[1:-1]
    widths = np.array([each for piece in duct.pipe.sections for each in (piece.start, piece.end)]) * _WIDE
    walls = [ends[0] + places[:, None] * along + side * widths[:, None] * across for side in (0.5, -0.5)]
    return np.asarray(np.vstack([walls[0], walls[1][::-1]]) / scale)


def _measures(duct: Duct, work: Pipework, size: Unit) -> str:
    """Lengths and diameters of a pipe, a line a piece, and what is in its walls or around it."""
    inside = {
        other.name.removeprefix(f"{duct.name}, around the "): other.pipe.length
        for other in work.ducts
        if SHUT in (other.start, other.end) and other.name.startswith(f"{duct.name}, around the ")
    }
    lines = []
    for piece in duct.pipe.sections:
        start, end = (size.plain(round(each, 1)) for each in (piece.start, piece.end))
        lines.append(
            f"{size.plain(piece.length + sum(inside.values()))} × ⌀{start}{f' to {end}' if end != start else ''}"
            f"{f', bends lose {piece.loss:.2f} heads' if piece.loss else ''}"
        )
    lines += [f"{side} reaches in {size.plain(reach)}" for side, reach in inside.items()]
    if duct.mouth is not None:
        lines.append(f"{duct.mouth} mouth")
    if isinstance(duct.lining, Packing):
        lines.append(f"packed can ⌀{size.plain(duct.lining.can)}, holes {100 * duct.lining.holes:.0f} %")
    elif isinstance(duct.lining, Honeycomb):
        shape = "square" if duct.lining.square else "round"
        lines[0] = f"{lines[0]} (open part of the brick)"
        lines.append(f"{shape} channels, {duct.lining.width:.2g} mm")
    return "\n".join(lines)


def _draw_parts(axes: Axes, work: Pipework, spots: dict[str, _Spot]) -> None:
    volumes = {volume.name: volume for volume in work.volumes}
    angles = {junction.name: junction.angle for junction in work.junctions}
    throttles = {junction.name for junction in work.junctions if junction.throttle}
    for name, spot in spots.items():
        if name.startswith(AIR):
            _label(axes, spot, AIR, "none")
        elif name in volumes:
            words = name if volumes[name].throttle_from is None else _throttle_text(name)
            _label(axes, spot, f"{words}\n{volumes[name].litres:g} l")
        elif name in throttles:
            _label(axes, spot, _throttle_text(name))
        elif name in angles and ", " in name:  # an end of a chamber, silencer or catalyst
            axes.plot(spot.column, spot.row, "o", color=INK, ms=3, zorder=2)
        elif name in angles:
            angle = angles[name]
            _label(axes, spot, name if angle is None else f"{name}\n{angle:g}°")
        else:
            _label(axes, spot, name)


def _throttle_text(name: str) -> str:
    own = name.partition(", ")[0]
    return own if own.startswith("throttle") else f"throttle\n{own}"


def _label(axes: Axes, spot: _Spot, text: str, edge: str = EDGE) -> None:
    box = {"boxstyle": "round,pad=0.35", "facecolor": PAPER, "edgecolor": edge}
    axes.text(spot.column, spot.row, text, ha="center", va="center", fontsize=8, color=INK, bbox=box, zorder=2)
