"""Which rows of a log belong to one point."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.torque.stretches import speed_bins, steady_groups, sweep_groups


@given(st.floats(0, 12000), st.sampled_from([100.0, 250.0, 500.0]))
def test_a_bin_is_centred_on_a_multiple_of_its_width(rpm: float, width: float) -> None:
    centre = float(speed_bins(np.array([rpm]), width)[0]) * width
    assert -width / 2 <= rpm - centre < width / 2


@given(st.lists(st.tuples(st.floats(500, 9000), st.booleans(), st.integers(0, 2)), min_size=1, max_size=40))
def test_rows_share_a_group_where_file_mark_and_bin_agree(rows: list[tuple[float, bool, int]]) -> None:
    rpm, full, file = (np.array(column) for column in zip(*rows, strict=True))
    group, segment = sweep_groups(rpm, full, file, 250.0)
    keys = list(zip(file.tolist(), full.tolist(), speed_bins(rpm, 250.0).tolist(), strict=True))
    assert {(keys[i] == keys[j]) == (group[i] == group[j]) for i in range(len(rows)) for j in range(len(rows))} == {
        True
    }
    assert sorted(set(group.tolist())) == list(range(len(set(keys))))
    assert all((segment[i] == segment[j]) == (keys[i][:2] == keys[j][:2]) for i in range(len(rows)) for j in range(i))


def test_a_steady_stretch_ends_where_a_channel_leaves() -> None:
    settings = [[2000, 50, 10, 0], [2500, 50, 10, 0], [2500, 65, 10, 0], [2500, 65, 18, 0], [2000, 50, 10, 0]]
    channels = np.repeat(np.array(settings, dtype=float), 20, axis=0)
    nothing, one_file = np.zeros(100, dtype=bool), np.zeros(100, dtype=np.int64)
    assert steady_groups(channels, nothing, one_file).tolist() == np.repeat(np.arange(5), 20).tolist()


def test_a_steady_stretch_ends_with_its_file_and_its_mark() -> None:
    channels = np.repeat([[2000.0, 98.0, 10.0, 0.0]], 30, axis=0)
    full, file = np.arange(30) >= 20, np.repeat([0, 1, 1], 10)
    assert steady_groups(channels, full, file).tolist() == np.repeat([0, 1, 2], 10).tolist()
