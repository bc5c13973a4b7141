"""What is kept beside a project is what was written, or is computed again, with one warning."""

import logging
import os

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.io.cache import (
    FOLDER,
    DamagedError,
    cached_arrays,
    forget_oldest,
    read_arrays,
    read_entry,
    sealed,
    unsealed,
    write_arrays,
    write_entry,
)

ARRAYS = {"torque": np.linspace(100.0, 200.0, 7).reshape(1, 7), "settled": np.array([np.nan, -0.0, np.inf])}


@given(st.binary(max_size=300), st.data())
def test_no_change_passes_unnoticed(content, data):
    """Any flipped bit, any missing end, anything put behind: refused. The digest is SHA-256 (FIPS 180-4)."""
    held = sealed(content)
    assert unsealed(held) == content
    at = data.draw(st.integers(0, 8 * len(held) - 1))
    flipped = bytearray(held)
    flipped[at // 8] ^= 1 << at % 8
    for damaged in (bytes(flipped), held[: at // 8], held + b"\n", held + held):
        with pytest.raises(DamagedError):
            unsealed(damaged)


def test_arrays_come_back_to_the_bit(tmp_path):
    write_arrays(tmp_path / "deep" / "a.npz", ARRAYS)
    found = read_arrays(tmp_path / "deep" / "a.npz")
    assert {name: (a.shape, a.tobytes()) for name, a in found.items()} == {
        name: (a.shape, a.tobytes()) for name, a in ARRAYS.items()
    }
    assert read_arrays(tmp_path / "none.npz") is None


@pytest.mark.parametrize("damage", ["cut", "flipped", "empty", "another program's", "huge", "a folder"])
def test_damage_is_set_aside_with_one_warning_and_computed_again(tmp_path, caplog, damage):
    """Twice in a row, for the second finds NAME.damaged there already."""
    asked = []

    def compute():
        asked.append(damage)
        return ARRAYS

    def kept():
        return cached_arrays(tmp_path, "responses", compute, "engine", 1.0)

    kept()
    (path,) = (tmp_path / FOLDER).iterdir()
    sound = path.read_bytes()
    for count in (2, 3):
        path.unlink()
        if damage == "a folder":
            path.mkdir()
            (path / "file").touch()
        else:
            flipped = sound[:99] + bytes([sound[99] ^ 4]) + sound[100:]
            held = {"cut": sound[:-9], "flipped": flipped, "empty": b""}
            path.write_bytes(held.get(damage, b"PK\3\4 an archive"))
            if damage == "huge":  # and holes, which take no room
                os.truncate(path, 3 << 30)
        caplog.clear()
        with caplog.at_level(logging.WARNING):
            assert np.array_equal(kept()["torque"], ARRAYS["torque"])
        (record,) = caplog.records
        assert path.name in record.getMessage()
        assert "\n" not in record.getMessage()
        assert len(asked) == count
        assert path.read_bytes() == sound
        assert sorted(p.name for p in path.parent.iterdir()) == [path.name, f"{path.name}.damaged"]
    caplog.clear()
    kept()
    assert not caplog.records
    assert len(asked) == 3


def test_what_depends_on_something_else_is_another_entry(tmp_path):
    one = cached_arrays(tmp_path, "responses", lambda: ARRAYS, 1.0)
    two = cached_arrays(tmp_path, "responses", lambda: {"torque": np.zeros(1)}, 2.0)
    assert set(one) != set(two)


def test_where_nothing_can_be_written_nothing_is_kept(tmp_path, caplog):
    """A file in the folder's place: computed each time, and nothing is called damaged."""
    (tmp_path / FOLDER).touch()
    for _ in range(2):
        assert cached_arrays(tmp_path, "responses", lambda: ARRAYS, 1.0) is ARRAYS
    assert not caplog.records


def test_only_what_was_used_last_is_kept_and_studies_stay(tmp_path):
    for age, name in enumerate(("a.nc", "b.npz", "c.nc.damaged", "d.nc", "offsets.sqlite", "mine.txt")):
        write_entry(tmp_path / name, b"")
        os.utime(tmp_path / name, (1000 - age, 1000 - age))
    write_arrays(tmp_path / "grid-stopped" / "a.chunk", ARRAYS)
    os.utime(tmp_path / "grid-stopped", (0, 0))
    forget_oldest(tmp_path, 2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.nc", "b.npz", "mine.txt", "offsets.sqlite"]
    assert read_entry(tmp_path / "a.nc") == b""
