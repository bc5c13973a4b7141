"""Names for results: equal for equal things, different for anything else."""

import shutil
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from cycle.sample import sample

from phaseopt.cycle import version as module
from phaseopt.cycle.config import Lift
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint


def test_known_digest():
    """The digest of nothing is what GNU coreutils print for `printf '8:0 values' | sha256sum`."""
    assert fingerprint() == "1e8e45cf2a7db8a40ab55aef353b6af5"


def test_numbers_count_by_value():
    """81 and 81.0 are one length; the next double is another."""
    assert fingerprint(81) == fingerprint(81.0) == fingerprint(np.float64(81.0))
    assert fingerprint(81.0) != fingerprint(np.nextafter(81.0, 82.0))
    assert fingerprint(True) != fingerprint(1)


def test_neither_borders_nor_shapes_run_together():
    """Texts, tuples and arrays that hold the same characters or numbers otherwise divided."""
    assert fingerprint("ab", "c") != fingerprint("a", "bc")
    assert fingerprint((1.0, 2.0), 3.0) != fingerprint((1.0,), (2.0, 3.0))
    assert fingerprint(np.zeros((2, 3))) != fingerprint(np.zeros((3, 2)))
    assert fingerprint("None") != fingerprint(None)


def test_what_has_no_value_is_refused():
    """A dictionary has an order that means nothing, an object an address: neither makes a name."""
    with pytest.raises(TypeError, match="dict"):
        fingerprint({"a": 1})
    with pytest.raises(TypeError, match="object"):
        fingerprint(object())


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


def test_version_follows_the_sources(tmp_path, monkeypatch):
    """A changed, new or renamed source file of the simulation makes another version."""
    here = Path(module.__file__).parent
    for source in here.glob("*.py"):
        shutil.copy(source, tmp_path)
    monkeypatch.setattr(module, "__file__", str(tmp_path / "version.py"))
    compute = code_version.__wrapped__
    assert compute() == code_version()
    with (tmp_path / "ducts.py").open("a") as file:
        file.write("# new\n")
    changed = compute()
    (tmp_path / "ducts.py").rename(tmp_path / "pipes.py")
    assert len({code_version(), changed, compute()}) == 3
