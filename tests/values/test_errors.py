"""Messages: the same mistake in several files is one line."""

from pathlib import Path

from phaseopt.values.errors import InputError, Mistake


def test_a_column_missing_in_every_log_is_one_message() -> None:
    logs = [Mistake("no column 'Torque'", "correct it", Path(f"pull-{k}.csv"), "line 1") for k in range(12)]
    other = Mistake("no rows", "record again", Path("pull-3.csv"))
    messages = InputError([*logs, other]).messages
    assert len(messages) == 3
    assert "pull-0.csv" in messages[0]
    assert "11 files more" in messages[0]
    assert messages[-1].startswith("2 mistakes")


def test_all_of_them_are_kept_for_machines() -> None:
    assert len(InputError([Mistake("a", "b", Path(name)) for name in ("x", "y")]).mistakes) == 2


def test_a_list_that_goes_on_keeps_its_dots() -> None:
    assert str(Mistake("it is wrong.", "number them 1, 2, 3, ...")) == "it is wrong. Fix: number them 1, 2, 3, ..."


def test_a_message_that_is_cut_ends_with_three_dots() -> None:
    cut = Mistake("it is wrong", "look here first: " + "one thing or another; " * 20).shortened()
    assert cut.endswith(" ...")
    assert not cut.endswith("....")
