"""What several parts of the tests share."""

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest
from browser import axe_source, launched
from hillclimb import pulls_alone

from phaseopt.cli import frame
from phaseopt.job.build import Build, build
from phaseopt.output.json_text import json_text
from phaseopt.schemas import MISTAKES, schema_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def hillclimb() -> Build:
    """The example's build from its pulls alone; a test must not change it."""
    return build(pulls_alone())


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A browser, where there is one."""
    with launched() as found:
        yield found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core as a script."""
    return axe_source(tmp_path_factory.mktemp("axe"))


@pytest.fixture(autouse=True)
def _printed_as_documented(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever a command prints under --json in any test keeps to its schema."""

    def checked(found: dict[str, Any]) -> None:
        require_documented(frame.manner().command, json.loads(json_text(found)))
        plain(found)

    plain = frame.print_json
    monkeypatch.setattr(frame, "print_json", checked)


def require_documented(command: str, found: dict[str, Any]) -> None:
    """Hold what a command printed against its schema.

    Source: JSON Schema 2020-12 (json-schema.org), as the `jsonschema` library checks it.
    """
    from jsonschema import Draft202012Validator

    Draft202012Validator(schema_of(MISTAKES if "mistakes" in found else command)).validate(found)
