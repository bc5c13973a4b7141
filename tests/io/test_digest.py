"""Names for results: equal for equal things, different for anything else."""

import numpy as np
import pytest

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
