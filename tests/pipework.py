"""Intakes and exhausts as lists of parts, for tests."""

from typing import Any

from cycle.test_from_project import CYCLE


def pipe(name: str, start: Any, to: Any, *pieces: tuple[float, ...], **more: Any) -> dict[str, Any]:
    """A pipe of (length, start) or (length, start, end) pieces."""
    cut = [dict(zip(("length", "start", "end"), piece, strict=False)) for piece in pieces]
    return {"part": "pipe", "name": name, "from": start, "to": to, "pieces": cut, **more}


def sides(intake: list[dict[str, Any]] | None = None, exhaust: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """[cycle] with lists for one side or both."""
    cycle: dict[str, Any] = {**CYCLE}
    if intake is not None:
        del cycle["plenum_volume"]
        cycle["intake"] = {k: v for k, v in CYCLE["intake"].items() if k != "runner"} | {"parts": intake}
    if exhaust is not None:
        head = {k: v for k, v in CYCLE["exhaust"].items() if k not in ("primary", "secondary", "tail")}
        cycle["exhaust"] = head | {"parts": exhaust}
    return cycle


PLENUM = [
    {"part": "throttle", "name": "throttle", "from": "open air", "to": "plenum"},
    {"part": "plenum", "name": "plenum", "volume": 4.0},
    pipe("runner", "plenum", "each cylinder", ("10 in", 44, 42)),
]
FOUR_TWO_ONE = [
    pipe("primary", ["cylinder 1", "cylinder 4"], "front Y", (450, 40)),
    pipe("primary", ["cylinder 2", "cylinder 3"], "back Y", (450, 40)),
    {"part": "junction", "name": "front Y"},
    {"part": "junction", "name": "back Y"},
    pipe("secondary", ["front Y", "back Y"], "collector", (400, 45)),
    {"part": "collector", "name": "collector"},
    pipe("tail", "collector", "open air", (1500, 60)),
]


AIRBOX = [
    pipe("snorkel", "open air", "airbox", (300, 100), mouth="flared"),
    {"part": "airbox", "name": "airbox", "volume": 9.0},
    {"part": "throttle", "name": "throttle", "from": "airbox"},
    pipe("runner", "throttle", "each cylinder", (250, 44, 42), mouth="plain"),
]
EVERYTHING = [
    pipe("left primary", [f"cylinder {c}" for c in (1, 2, 3, 4, 5, 6)], "left", (400, 40)),
    pipe("right primary", [f"cylinder {c}" for c in (7, 8, 9, 10, 11, 12)], "right", (400, 40)),
    {"part": "collector", "name": "left", "volume": 1.0},
    {"part": "junction", "name": "right", "angle": 20},
    pipe("left front", "left", "left catalyst", (300, 60, 100)),
    {"part": "catalyst", "name": "left catalyst", "length": 150, "diameter": 120, "cells": 200, "open_area": 0.7},
    pipe("left link", "left catalyst", "chamber", (400, 60)),
    pipe("right link", "right", "chamber", (900, 60)),
    {
        "part": "chamber", "name": "chamber", "length": 500, "diameter": 200, "inlet_reach": 100, "outlet_reach": 150,
    },
    pipe("left middle", "chamber", "silencer", (200, 60)),
    {"part": "silencer", "name": "silencer", "length": 500, "diameter": 60, "can": 120, "open_area": 0.3},
    pipe("left tail", "silencer", "open air", (400, 60)),
    pipe("right tail", "chamber", "open air", (600, 50)),
]  # fmt: skip
