"""The list of keys for people is the one the program reads."""

from pathlib import Path

from phaseopt.project.keys import keys, keys_table

LIST = Path(__file__).parents[2] / "examples" / "KEYS.md"


def test_every_key_says_what_it_is() -> None:
    assert [key.name for key in keys() if not key.meaning] == []


def test_the_list_beside_the_examples_is_up_to_date() -> None:
    """Made by: python -c "from phaseopt.project.keys import keys_table; print(keys_table(), end='')"."""
    assert LIST.read_text(encoding="utf-8").endswith(keys_table())
