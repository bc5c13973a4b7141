"""What a page may ask the server to do to files: each action by its name. Light, for the server runs them itself.

An action takes the project's file and what the page sent; it returns what the page is shown, and raises `InputError`.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from phaseopt.live import edits, pins, readings
from phaseopt.live.day_actions import DAY_ACTIONS

ACTIONS: Mapping[str, Callable[[Path, dict[str, Any]], dict[str, Any]]] = {
    "edit": edits.edit,
    "undo": edits.undo,
    "write": edits.write,
    **DAY_ACTIONS,
    "row": readings.add_row,
    "lobe": readings.take_lobe,
    "pin": pins.pin,
    "cap": pins.cap,
    "look": lambda _project, _body: {},  # the child looks at the files after every action
}
# Actions that the child process judges before, each by its question.
ASKED_FIRST: Mapping[str, str] = {"edit": "may", "row": "may_row", "pin": "may_pin", "cap": "may_cap"}
