"""The palette: text that can be read, colours that stay apart to colour-blind eyes and in grey."""

import itertools
import re

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

from phaseopt.report import palette

SIGHTS = ("protanomaly", "deuteranomaly", "tritanomaly")
TEXTS = ("ink", "soft", "link", "clear", "tight", "hits")
LINES = ("edge", "intake", "exhaust", "before", "ink")


def rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def luminance(colour: str) -> float:
    """Relative luminance, written out from WCAG 2.1's definition (from memory)."""
    channels = rgb(colour)
    linear = np.where(channels <= 0.03928, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lightness(colour: str) -> float:
    return float(cspace_convert(rgb(colour), "sRGB1", "CIELab")[0])


def seen(colour: str, sight: str) -> np.ndarray:
    """As a colour-blind person sees it: Machado, Oliveira and Fernandes 2009, by package `colorspacious`."""
    space = {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}
    return np.clip(cspace_convert(rgb(colour), space, "sRGB1"), 0.0, 1.0)


@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK], ids=["light", "dark"])
def test_text_and_lines_can_be_read_on_the_ground(colours: dict[str, str]) -> None:
    """WCAG 2.1, success criteria 1.4.3 (text, 4.5) and 1.4.11 (shapes, 3), from memory."""
    assert min(contrast(colours[name], colours["paper"]) for name in TEXTS) >= 4.5
    assert min(contrast(colours[name], colours["paper"]) for name in LINES) >= 3.0
    assert contrast(palette.LIGHT["ink"], colours["tight-fill"]) >= 4.5
    assert contrast("#FFFFFF", colours["hits-fill"]) >= 4.5
    assert contrast(colours["ink"], colours["unknown-fill"]) >= 4.5


def test_every_shade_of_a_table_carries_its_number() -> None:
    """WCAG 2.1, 1.4.3, on what the style sheet pairs."""
    pairs = dict(re.findall(r"--([ie]\d(?:-text)?): (#\w{6});", palette.style_sheet().split("@media")[0]))
    dark = dict(re.findall(r"--([ie]\d(?:-text)?): (#\w{6});", palette.style_sheet().split("@media")[1]))
    for found in (pairs, dark):
        shades = [name for name in found if "-" not in name]
        assert len(shades) == 2 * palette.SHADES
        assert min(contrast(found[name], found[f"{name}-text"]) for name in shades) >= 4.5
    assert min(contrast(tint, palette.LIGHT["ink"]) for tint in palette.TORQUE) >= 4.5


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK], ids=["light", "dark"])
def test_lines_that_meet_stay_apart_to_colour_blind_eyes(colours: dict[str, str], sight: str) -> None:
    """CIELAB distance (CIE 1976) of 20 under full protanopia, deuteranopia and tritanopia."""
    for one, other in itertools.combinations(("intake", "exhaust", "before", "ink"), 2):
        apart = deltaE(seen(colours[one], sight), seen(colours[other], sight), "sRGB1", uniform_space="CIELab")
        assert apart >= 20.0, (one, other)


@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK], ids=["light", "dark"])
def test_states_differ_in_grey(colours: dict[str, str]) -> None:
    """Clear is open ground, tight and hits are filled: at least 20 of CIELAB lightness between any two."""
    fills = [lightness(colours[name]) for name in ("paper", "tight-fill", "hits-fill")]
    assert min(abs(a - b) for a, b in itertools.combinations(fills, 2)) >= 20.0


@pytest.mark.parametrize(
    "scale", [palette.INTAKE, palette.EXHAUST, palette.INTAKE_DARK, palette.EXHAUST_DARK, palette.TORQUE]
)
def test_a_scale_goes_one_way_in_grey(scale: tuple[str, ...]) -> None:
    steps = np.diff([lightness(colour) for colour in scale])
    assert (steps < 0).all() or (steps > 0).all()


def test_rest_is_the_ground_itself_in_both_tables() -> None:
    assert palette.INTAKE[0] == palette.EXHAUST[0] == palette.LIGHT["paper"]
    assert palette.INTAKE_DARK[0] == palette.EXHAUST_DARK[0] == palette.DARK["paper"]
