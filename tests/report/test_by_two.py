"""Jobs done by two processes: what comes of them is what one process makes of them."""

import os
from functools import partial

import pytest
from hillclimb import pulls_alone

from phaseopt.clearance import contact_model
from phaseopt.report.figures.by_two import by_two
from phaseopt.report.figures.springs import spring_margins

HERE = os.getpid()


def only_here(text: str) -> str:
    """A job that another process fails at."""
    if os.getpid() != HERE:
        raise RuntimeError(text)
    return text


def long(letter: str) -> str:
    """More than a pipe holds."""
    return 200_000 * letter


def test_in_their_order() -> None:
    letters = "abcdefg"
    assert by_two([partial(long, letter) for letter in letters]) == [long(letter) for letter in letters]


def test_what_the_other_process_fails_at_is_done_here() -> None:
    jobs = [partial(only_here, text) for text in ("one", "two", "three", "four", "five")]
    assert by_two(jobs) == ["one", "two", "three", "four", "five"]


def test_what_cannot_be_done_at_all_is_said() -> None:
    with pytest.raises(ZeroDivisionError):
        by_two([partial(str, 1), partial(str, 2), partial(str, 3), lambda: str(1 // 0)])


def test_figures_are_the_same_to_the_byte() -> None:
    contact = contact_model(pulls_alone())

    def drawn() -> str:
        drawing = spring_margins(contact)
        assert drawing is not None
        return drawing.element()

    assert set(by_two([drawn] * 4)) == {drawn()}
