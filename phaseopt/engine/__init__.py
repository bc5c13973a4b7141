"""The hardware as it is: crank, lobes, phasers, camshafts.

Crank angle is in degrees on the 720° circle, 0 at gas-exchange TDC: the crank angle at which the piston is highest.
`engine_of` makes an `Engine` of a project: a `SliderCrank` and two `Camshaft`s, whose lobes come from a file
(`read_lobe`) or a cam card (`card_lobe`).
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.engine.cam_card import card_lobe
    from phaseopt.engine.camshaft import Camshaft, Engine, engine_of
    from phaseopt.engine.crank import SliderCrank
    from phaseopt.engine.lobe import Lobe
    from phaseopt.engine.lobe_file import read_lobe
    from phaseopt.engine.phaser import phase_grid
    from phaseopt.engine.valve_events import Events, Overlap, events, overlap, overlap_degrees

__all__ = [
    "Camshaft",
    "Engine",
    "Events",
    "Lobe",
    "Overlap",
    "SliderCrank",
    "card_lobe",
    "engine_of",
    "events",
    "overlap",
    "overlap_degrees",
    "phase_grid",
    "read_lobe",
]

__getattr__ = on_demand(
    __name__,
    {
        "cam_card": ("card_lobe",),
        "camshaft": ("Camshaft", "Engine", "engine_of"),
        "crank": ("SliderCrank",),
        "lobe": ("Lobe",),
        "lobe_file": ("read_lobe",),
        "phaser": ("phase_grid",),
        "valve_events": ("Events", "Overlap", "events", "overlap", "overlap_degrees"),
    },
)
