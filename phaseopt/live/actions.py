"""What a page may ask the server to do to files: each action by its name. Light, for the server runs them itself.

An action takes the project's file and what the page sent; it returns what the page is shown, and raises `InputError`.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from phaseopt.live import edits
from phaseopt.live.day_actions import DAY_ACTIONS

ACTIONS: Mapping[str, Callable[[Path, dict[str, Any]], dict[str, Any]]] = {
    "edit": edits.edit,
    "undo": edits.undo,
    "write": edits.write,
    **DAY_ACTIONS,
}
ASKED_FIRST: Mapping[str, str] = {"edit": "may"}  # actions that the child process judges before, by its question
