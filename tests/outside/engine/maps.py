"""Maps of torque over speed and both timings of the whole family, stored beside this file.

`python -m outside.engine.maps`, run in `tests`, computes what the file lacks, two engines at a time, and writes the
file after each, so that it may be stopped and begun again. What another source of the engine computed is thrown away.
"""

import ast
import hashlib
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np

from .describe import OWN_LAWS
from .family import family
from .solve import torque_map

HERE = Path(__file__).parent
STORED = HERE / "maps.npz"
SOURCES = ("kernel.py", "describe.py", "solve.py", "family.py")
KEPT = ("torque", "filling", "residual")  # filling and residual to 1e-4, torque to 0.01 N·m


def digest() -> str:
    """Of all code on which the maps depend; comments, docstrings and layout may change."""
    text = hashlib.sha256()
    for name in SOURCES:
        tree = ast.parse((HERE / name).read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list):
                node.body = [each for each in body if not _is_text(each)]
        text.update(ast.unparse(tree).encode())
    return text.hexdigest()


def _is_text(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)


def computed(name: str) -> tuple[str, dict[str, np.ndarray]]:
    """The map of one engine of the family."""
    engine = family()[name]
    found = torque_map(engine, engine.speeds, engine.icl, engine.ecl, OWN_LAWS)
    kept = {key: np.round(found[key], 2 if key == "torque" else 4).astype(np.float32) for key in KEPT}
    kept["unsettled"] = np.array((~found["converged"].astype(bool)).sum())
    kept["mass_error"] = np.array(np.abs(found["mass_error"]).max())
    return name, kept


def stored() -> dict[str, dict[str, np.ndarray]]:
    """Maps by engine; each has `torque` [N·m], `filling` and `residual` over speed × icl × ecl of its description."""
    maps: dict[str, dict[str, np.ndarray]] = {}
    with np.load(STORED) as file:
        for key in file.files:
            if "/" in key:
                name, quantity = key.split("/")
                maps.setdefault(name, {})[quantity] = file[key]
    return maps


def stored_digest() -> str:
    """The digest of the source that made the file."""
    with np.load(STORED) as file:
        return str(file["digest"])


def write(maps: dict[str, dict[str, np.ndarray]], source: str) -> None:
    """The file, whole or not at all."""
    arrays = {f"{name}/{key}": maps[name][key] for name in family() if name in maps for key in maps[name]}
    aside = STORED.with_suffix(".new.npz")
    np.savez_compressed(aside, digest=np.array(source), **arrays)
    aside.replace(STORED)


def main(processes: int = 2) -> None:
    """Compute what is missing: the engines as drawn first."""
    source = digest()
    maps = stored() if STORED.exists() and stored_digest() == source else {}
    names = sorted(family(), key=lambda name: (not name.endswith("as drawn"), name.split(", ")[1]))
    missing = [name for name in names if name not in maps]
    with ProcessPoolExecutor(processes) as pool:
        for job in as_completed([pool.submit(computed, name) for name in missing]):
            name, found = job.result()
            maps[name] = found
            write(maps, source)
            print(f"{len(maps)} of {len(names)}: {name}, {int(found['unsettled'])} points unsettled", flush=True)


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:]))
