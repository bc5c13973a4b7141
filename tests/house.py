"""The rooms of the package and the imports between them: counted, drawn, and refused where they go in a circle.

    python tests/house.py [--svg FILE]

Every import counts, wherever it stands: at the top of a file, inside a function, for types alone, or by name with
`import_module`. Exit code 1 where an import goes round in a circle, or up to a room that comes later, where too many
modules stand loose at the top of the package, where a function takes too many parameters, or where two modules give
one name to two classes or types. The package's own
`__init__` and `__main__` may import anything: they only hand names on.
"""

import argparse
import ast
import math
import sys
import textwrap
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

PACKAGE = Path(__file__).parent.parent / "phaseopt"

# From the ground up: a room imports only from rooms before it.
ROOMS = (
    "values", "io", "project", "engine", "tables", "table_import", "clearance", "torque", "cycle", "surrogate",
    "torque_model", "search", "job", "study", "report", "output", "live", "cli",
)  # fmt: skip

MOST_LOOSE = 8
MOST_PARAMETERS = 8


@dataclass(frozen=True)
class Import:
    """One module takes something from another, at a line of its file."""

    importer: str
    imported: str
    line: int

    def __str__(self) -> str:
        return f"{self.importer} line {self.line} imports {self.imported}"


def parsed(package: Path = PACKAGE) -> dict[str, ast.Module]:
    """The syntax tree of every module, by its dotted name."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = ast.parse(path.read_text(encoding="utf-8"), filename=str(path))
    return found


def imports(modules: Mapping[str, ast.Module]) -> list[Import]:
    """All imports of one module of the package by another."""
    root = min(modules, key=len)
    found = []
    for importer, tree in modules.items():
        if importer in (root, f"{root}.__main__"):
            continue
        for node in ast.walk(tree):
            for target in _targets(node, importer):
                imported = _module(target, modules)
                if imported is not None and imported != importer:
                    found.append(Import(importer, imported, node.lineno))  # type: ignore[attr-defined]
    return found


def _targets(node: ast.AST, importer: str) -> Iterator[str]:
    """The dotted names that a statement imports."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            above = importer.split(".")[: -node.level]
            base = ".".join([*above, *([node.module] if node.module else [])])
        yield from (f"{base}.{alias.name}" for alias in node.names)
    elif isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] == "import_module":
        yield from (str(a.value) for a in node.args[:1] if isinstance(a, ast.Constant))


def _module(target: str, modules: Mapping[str, ast.Module]) -> str | None:
    """The module that a dotted name is, or is a name of."""
    if target in modules:
        return target
    parent = target.rpartition(".")[0]
    return parent if parent in modules else None


def room(module: str) -> str:
    """The room that a module belongs to; the package's own name for its `__init__`."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else parts[0]


def arrows(found: Sequence[Import]) -> Counter[tuple[str, str]]:
    """How many imports go from one room to another."""
    pairs = ((room(each.importer), room(each.imported)) for each in found)
    return Counter((a, b) for a, b in pairs if a != b)


def circles(found: Sequence[Import]) -> list[list[str]]:
    """The sets of files that each lead back to themselves."""
    names = sorted({name for each in found for name in (each.importer, each.imported)})
    if not names:
        return []
    at = {name: i for i, name in enumerate(names)}
    rows, columns = [at[each.importer] for each in found], [at[each.imported] for each in found]
    graph = csr_array((np.ones(len(found)), (rows, columns)), shape=(len(names), len(names)))
    _, labels = connected_components(graph, directed=True, connection="strong")
    members = defaultdict(list)
    for name, label in zip(names, labels, strict=True):
        members[label].append(name)
    return [each for each in members.values() if len(each) > 1]


def unplaced(modules: Mapping[str, ast.Module]) -> list[str]:
    """Rooms that have no place in the order."""
    rooms = {room(name) for name in modules if "." in name} - {"__main__"}
    return sorted(rooms - set(ROOMS))


def upward(found: Sequence[Import]) -> list[Import]:
    """Imports from a room that comes later."""
    place = {name: i for i, name in enumerate(ROOMS)}
    known = (each for each in found if {room(each.importer), room(each.imported)} <= set(ROOMS))
    return [each for each in known if place[room(each.imported)] > place[room(each.importer)]]


def loose(package: Path = PACKAGE) -> list[str]:
    """Modules that stand at the top of the package without a room."""
    return sorted(path.stem for path in package.glob("*.py") if not path.stem.startswith("__"))


def crowded(modules: Mapping[str, ast.Module]) -> list[tuple[str, int]]:
    """Functions that take too many parameters, with how many; commands are exempt: their parameters are options."""
    found = []
    for module, tree in modules.items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or _is_command(module, node):
                continue
            every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            count = len(every) - bool(every and every[0].arg in ("self", "cls"))
            if count > MOST_PARAMETERS:
                found.append((f"{module}.{node.name}", count))
    return found


def _is_command(module: str, node: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    return room(module) == "cli" and any(ast.unparse(each).startswith("command") for each in node.decorator_list)


def twice(modules: Mapping[str, ast.Module]) -> list[str]:
    """Names of classes and types that two modules define; commands are exempt where they name their options."""
    places = defaultdict(set)
    for module, tree in modules.items():
        for name in filter(None, map(_type_name, tree.body)):
            places[name].add(module)
    return [
        f"{name}: {', '.join(sorted(each))}"
        for name, each in sorted(places.items())
        if len(each) > 1 and {room(module) for module in each} != {"cli"}
    ]


def _type_name(node: ast.stmt) -> str | None:
    """The public name of a class or of an alias of a type, which is written as a class is."""
    if isinstance(node, ast.ClassDef):
        name = node.name
    elif isinstance(node, ast.Assign | ast.AnnAssign):
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        name = target.id if isinstance(target, ast.Name) else ""
    else:
        return None
    return name if name[:1].isupper() and not name.isupper() else None


def faults(package: Path = PACKAGE) -> list[str]:
    """What is wrong with the house, a line each; empty where it is in order."""
    modules = parsed(package)
    found = imports(modules)
    lines = [f"circle: {', '.join(each)}" for each in circles(found)]
    lines += [f"arrow back up: {each}" for each in upward(found)]
    lines += [f"no place in the order of rooms: {each}" for each in unplaced(modules)]
    if len(loose(package)) > MOST_LOOSE:
        lines.append(f"more than {MOST_LOOSE} loose modules: {', '.join(loose(package))}")
    lines += [f"{count} parameters, at most {MOST_PARAMETERS}: {name}" for name, count in crowded(modules)]
    lines += [f"defined twice: {each}" for each in twice(modules)]
    return lines


def listed(found: Sequence[Import]) -> str:
    """The rooms in their order, and what each imports from."""
    counts = arrows(found)
    lines = []
    for each in (name for name in ROOMS if any(name in pair for pair in counts)):
        taken = [f"{other} {counts[each, other]}" for other in ROOMS if counts[each, other]]
        lines.append(f"{each:<14}{'  '.join(taken) or '-'}")
    return "\n".join(lines)


def drawing(found: Sequence[Import]) -> str:
    """The rooms as boxes from the ground up, an arrow for each pair that imports: red where it goes back up."""
    counts = arrows(found)
    rooms = [name for name in ROOMS if any(name in pair for pair in counts)]
    step, box, left = 46, 28, 380
    middle = {name: 60 + step * i for i, name in enumerate(rooms)}
    ends = _ends(counts, middle, box)
    body = []
    for (importer, imported), count in sorted(counts.items(), key=lambda item: -_span(item[0], middle)):
        if importer not in middle or imported not in middle:
            continue
        up = middle[imported] > middle[importer]
        x = left - 70 if up else left + 70
        reach = (-1 if up else 1) * (26 + 1.02 * _span((importer, imported), middle) ** 0.92)
        start, end = ends[importer, imported, importer], ends[importer, imported, imported]
        colour, width = ("#c0241c" if up else _hue(imported, rooms)), 0.8 + 0.9 * math.log2(count)
        tip = x + (-9 if up else 9)
        body.append(
            f'<path d="M{x:g},{start:.1f} C{x + reach:.1f},{start:.1f} {x + reach:.1f},{end:.1f} {tip:g},{end:.1f}" '
            f'fill="none" stroke="{colour}" stroke-width="{width:.1f}" stroke-opacity=".7">'
            f"<title>{importer} imports {imported}: {count}</title></path>"
            f'<path d="M{x:g},{end:.1f} L{tip:g},{end - 3.5:.1f} L{tip:g},{end + 3.5:.1f} Z" fill="{colour}"/>'
        )
    for name, y in middle.items():
        body.append(
            f'<rect x="{left - 70}" y="{y - box / 2:g}" width="140" height="{box}" rx="5" '
            f'fill="#fff" stroke="{_hue(name, rooms)}" stroke-width="2"/>'
            f'<text x="{left}" y="{y + 5}" text-anchor="middle">{name}</text>'
        )
        taken = ", ".join(f"{other} {counts[name, other]}" for other in rooms if counts[name, other])
        body += [
            f'<text x="{left - 82}" y="{y - 6 + 13 * i}" text-anchor="end" font-size="10" fill="#555">{line}</text>'
            for i, line in enumerate(textwrap.wrap(taken, 56))
        ]
    height = 60 + step * len(rooms)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 840 {height}" width="840" height="{height}" '
        'font-family="sans-serif" font-size="14"><rect width="100%" height="100%" fill="#fff"/>'
        '<text x="16" y="24" font-weight="bold">Rooms and their imports</text>'
        '<text x="220" y="24" font-size="11" fill="#555">an arrow leads to what is imported, in its colour; '
        "thicker: more imports; red on the left: back up</text>"
        f"{''.join(body)}</svg>\n"
    )


def _span(pair: tuple[str, str], middle: Mapping[str, float]) -> float:
    return abs(middle.get(pair[0], 0.0) - middle.get(pair[1], 0.0))


def _ends(
    counts: Mapping[tuple[str, str], int], middle: Mapping[str, float], box: float
) -> dict[tuple[str, ...], float]:
    """Where on its boxes each arrow starts and ends: spread along the side so that arcs do not cross at once."""
    found = {}
    for name, y in middle.items():
        pairs = [pair for pair in counts if name in pair and set(pair) <= set(middle)]
        # Arcs upwards leave nearer the top, the widest outermost.
        far = {pair: middle[pair[1] if pair[0] == name else pair[0]] - y for pair in pairs}
        order = sorted(pairs, key=lambda pair: -1.0 / far[pair])
        for i, pair in enumerate(reversed(order)):
            found[(*pair, name)] = y + (box - 6) * ((i + 0.5) / len(order) - 0.5)
    return found


def _hue(name: str, rooms: Sequence[str]) -> str:
    return f"hsl({205 + 360 * rooms.index(name) * 0.381966:.0f} 55% 42%)"


def main() -> int:
    """Print the rooms, draw them if asked, and say what is wrong."""
    parser = argparse.ArgumentParser(description="The rooms of the package and the imports between them.")
    parser.add_argument("--svg", metavar="FILE", type=Path, help="Draw them too.")
    asked = parser.parse_args()
    found = imports(parsed())
    print(listed(found))
    if asked.svg is not None:
        asked.svg.write_text(drawing(found), encoding="utf-8")
    wrong = faults()
    print("\n".join(["", *wrong]) if wrong else "\nIn order: no circle, no arrow back up.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
