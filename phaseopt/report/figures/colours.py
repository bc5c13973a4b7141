"""Colours of tables and figures: perceptually uniform, in steps, with text that can be read on them.

Lightness falls in step with the value, so a grey print says the same. Values are always written beside their colour.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from matplotlib.colors import Colormap, LinearSegmentedColormap, to_hex

from phaseopt.report import palette

STEPS = 12  # of a colour scale: enough to follow, few enough to find in a legend
MAP = LinearSegmentedColormap.from_list("tint", palette.TORQUE)  # light to dark, so a grey print says the same
WHITE, BLACK = palette.LIGHT["paper"].lower(), palette.LIGHT["ink"].lower()


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
        return MAP.resampled(STEPS)

    def colour(self, value: float) -> str:
        """#rrggbb of a value.

        >>> Scale(0.0, 10.0).colour(0.0) == Scale(0.0, 10.0).colour(-5.0)
        True
        """
        return to_hex(self.colours(float(np.clip((value - self.low) / (self.high - self.low), 0.0, 1.0))))
