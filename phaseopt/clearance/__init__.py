"""Can anything touch: valve drop, gaps by bound, what eats them, the safe set, and tables held against it.

`contact_model` brings a project's hardware together, `phase_limits` finds which timings are safe, `check_tables` judges
a pair of tables, `nearest_tables` finds the clear ones that differ least, `gap_budget` shows where a gap goes. Every
gap is a lower bound, at most 0.001 mm below the true one.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.clearance.budget import gap_budget
    from phaseopt.clearance.check import BoxVerdict, Verdict, check_tables
    from phaseopt.clearance.contacts import CONTACTS
    from phaseopt.clearance.full_travel import FullTravel
    from phaseopt.clearance.limits import Limits, SafeBox, SpeedLimits, phase_limits
    from phaseopt.clearance.model import ContactModel, contact_model
    from phaseopt.clearance.nearest import NearestTables, nearest_tables

__all__ = [
    "CONTACTS",
    "BoxVerdict",
    "ContactModel",
    "FullTravel",
    "Limits",
    "NearestTables",
    "SafeBox",
    "SpeedLimits",
    "Verdict",
    "check_tables",
    "contact_model",
    "gap_budget",
    "nearest_tables",
    "phase_limits",
]

__getattr__ = on_demand(
    __name__,
    {
        "check": ("BoxVerdict", "Verdict", "check_tables"),
        "contacts": ("CONTACTS",),
        "full_travel": ("FullTravel",),
        "budget": ("gap_budget",),
        "limits": ("Limits", "SafeBox", "SpeedLimits", "phase_limits"),
        "model": ("ContactModel", "contact_model"),
        "nearest": ("NearestTables", "nearest_tables"),
    },
)
