"""What is told to machines: JSON as text."""

import json
from typing import Any


def json_text(found: dict[str, Any]) -> str:
    """One JSON object, indented, without a line end; a number that is not finite becomes null.

    >>> print(json_text({"least": float("nan"), "pulls": ("a",)}))
    {
      "least": null,
      "pulls": [
        "a"
      ]
    }
    """
    return json.dumps(_plain(found), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and (value != value or abs(value) == float("inf")):
        return None
    return value
