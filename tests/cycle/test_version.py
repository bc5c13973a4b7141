"""What names a simulated number: every field of the engine, the mesh and the program's own sources."""

import shutil
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import pytest

from phaseopt.cycle import version as module
from phaseopt.cycle.config import Lift
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint, sources_digest

from .sample import sample


def changed(value):
    """Something of the same type and another value."""
    if isinstance(value, Lift):
        return Lift(value.angle, value.lift * 1.01)
    if is_dataclass(value):
        first = fields(value)[0].name
        return replace(value, **{first: changed(getattr(value, first))})
    if value is None:
        return sample().tail
    if isinstance(value, str):
        return {"petrol": "e85"}.get(value, value + "x")
    if isinstance(value, tuple):
        return value[1:] + value[:1] if len(value) > 1 else (changed(value[0]),)
    return value + 1


@pytest.mark.parametrize("name", [f.name for f in fields(sample())])
def test_every_field_of_the_engine_counts(name):
    """No dimension can change unnoticed."""
    engine = sample()
    other = replace(engine)
    object.__setattr__(other, name, changed(getattr(engine, name)))
    assert fingerprint(engine) == fingerprint(sample())
    assert fingerprint(other) != fingerprint(engine)


def test_mesh_counts():
    """A finer mesh gives other numbers."""
    assert fingerprint(Mesh()) != fingerprint(Mesh().finer(2.0))


def test_version_follows_the_sources(tmp_path):
    """A changed, new or renamed source file makes another version."""
    for source in Path(module.__file__).parent.glob("*.py"):
        shutil.copy(source, tmp_path)
    assert sources_digest(tmp_path) == code_version()
    with (tmp_path / "ducts.py").open("a") as file:
        file.write("# new\n")
    changed = sources_digest(tmp_path)
    (tmp_path / "ducts.py").rename(tmp_path / "pipes.py")
    assert len({code_version(), changed, sources_digest(tmp_path)}) == 3
