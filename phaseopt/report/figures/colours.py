"""Colours of tables and figures: perceptually uniform, in steps, with text that can be read on them.

Lightness falls in step with the value, so a grey print says the same. Values are always written beside their colour.
"""

from dataclasses import dataclass
from functools import cached_property

import matplotlib
import numpy as np
from matplotlib.colors import Colormap, to_hex

STEPS = 12  # of a colour scale: enough to follow, few enough to find in a legend
MAP = "cividis"  # made to look the same to colour-blind eyes
WHITE, BLACK = "#ffffff", "#000000"


@dataclass(frozen=True)
class Scale:
    """Values from `low` to `high` in steps of colour."""

    low: float
    high: float

    @classmethod
    def around(cls, *values: float) -> "Scale":
        """A scale from the least to the greatest value, never without width."""
        low, high = min(values), max(values)
        return cls(low, high) if high > low else cls(low - 0.5, high + 0.5)

    @cached_property
    def colours(self) -> Colormap:
        """The steps as matplotlib takes them."""
        return matplotlib.colormaps[MAP].resampled(STEPS)

    def colour(self, value: float) -> str:
        """#rrggbb of a value.

        >>> Scale(0.0, 10.0).colour(0.0) == Scale(0.0, 10.0).colour(-5.0)
        True
        """
        return to_hex(self.colours(float(np.clip((value - self.low) / (self.high - self.low), 0.0, 1.0))))

    def legend(self, count: int = 6) -> tuple[float, ...]:
        """Even values from low to high to show beside the colours."""
        return tuple(float(value) for value in np.linspace(self.low, self.high, count))


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb, 0 to 1. Source: WCAG 2.1 (from memory).

    >>> luminance("#ffffff"), luminance("#000000")
    (1.0, 0.0)
    """
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ink(background: str) -> str:
    """Black or white, whichever is read better: at least 4.58 to 1, the root of 21, on any colour.

    >>> ink("#ffffff"), ink("#00224e")
    ('#000000', '#ffffff')
    """
    light = luminance(background)
    return WHITE if 1.05 / (light + 0.05) > (light + 0.05) / 0.05 else BLACK
