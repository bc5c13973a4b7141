"""Torque by measurement: dyno logs in, torque points over speed, load and true centrelines out.

`reduce_logs` does all of it. On the way, a log is read (`logs`, which finds how a text is written, makes channels in
the program's units, joins files on one clock and judges their quality; `bad_rows` finds what cannot be torque). Its
rows become torque at the flywheel (`rows`, with `driveline`, `gates`, `phases` and `weather`; `lag` shows how late a
dyno is, from all its pulls). Rows become points with their standard errors (`points`, with `curve` for sweeps and
`means` for steady logs). A pull that reads far from the others is found in `levels`, one that does what no other does
in `unlike_curves`.

`logged_depression` is what full throttle took from the barometer over speed.

`repeatability` shows how well the dyno repeats itself and which pulls do not belong, `phaser_response` how the phasers
follow their commands. `dry_pressure` and `mean_pressure` are formulas that other rooms need too.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.torque.beside_others import leave_out_text
    from phaseopt.torque.depression import LoggedDepression, logged_depression
    from phaseopt.torque.lag import DynoLag
    from phaseopt.torque.log_quality import LogQuality
    from phaseopt.torque.logs import pull_files, read_other_logs, read_pull
    from phaseopt.torque.phasers import PhaserResponse, phaser_response
    from phaseopt.torque.plausibility import mean_pressure
    from phaseopt.torque.points import Rejected
    from phaseopt.torque.pulls import Reduction, reduce_logs, reduce_pull
    from phaseopt.torque.repeat_limits import OutlierPull, Repeatability, repeatability
    from phaseopt.torque.repeats import Repeats, find_repeats
    from phaseopt.torque.stated_pulls import require_pulls
    from phaseopt.torque.weather import dry_pressure

__all__ = [
    "DynoLag",
    "LogQuality",
    "LoggedDepression",
    "OutlierPull",
    "PhaserResponse",
    "Reduction",
    "Rejected",
    "Repeatability",
    "Repeats",
    "dry_pressure",
    "find_repeats",
    "leave_out_text",
    "logged_depression",
    "mean_pressure",
    "phaser_response",
    "pull_files",
    "read_other_logs",
    "read_pull",
    "reduce_logs",
    "reduce_pull",
    "repeatability",
    "require_pulls",
]

__getattr__ = on_demand(
    __name__,
    {
        "beside_others": ("leave_out_text",),
        "depression": ("LoggedDepression", "logged_depression"),
        "lag": ("DynoLag",),
        "log_quality": ("LogQuality",),
        "logs": ("pull_files", "read_other_logs", "read_pull"),
        "phasers": ("PhaserResponse", "phaser_response"),
        "plausibility": ("mean_pressure",),
        "points": ("Rejected",),
        "pulls": ("Reduction", "reduce_logs", "reduce_pull"),
        "repeat_limits": ("OutlierPull", "Repeatability", "repeatability"),
        "repeats": ("Repeats", "find_repeats"),
        "stated_pulls": ("require_pulls",),
        "weather": ("dry_pressure",),
    },
)
