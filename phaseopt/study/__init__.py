"""Questions one level up: which pulls to make next, whether a pull confirms the tables, where to fit the cams.

- A plan: `plan` plans a project's next pulls and makes the `run_sheet`. `best_pulls` chooses them by the
  `knowledge_gradient` of the candidates of `acquisition` over the cells of `full_load`, `initial_design` spreads them
  where too little is known, both among `safe_timings`, as `planned_pulls`;
  `confounding` names what the pulls so far do not separate.
- A confirmation: `confirm` compares a pull on new tables with its prediction, by `differences` and `phaser_tracking`.
- Installed offsets: `offsets` tries them (`offset_trial`) in an `offset_range`, in the order of `offset_sampler`, and
  compares `offset_gains`; `offset_try` compares given ones.
- A trade-off: `tradeoff` searches under many settings (`tradeoff_trial`), measures `smoothness` and picks the `knee`.
- Parts: `parts` tries the combinations of a shelf, and compares the best.
- Changes: `what_if` builds a project with other values of its keys, or with each change of another project, beside
  the project as it is.

Trials are in a database (`storage`), and a build shows `cached_studies`. Nothing here writes any other file.
"""

from typing import TYPE_CHECKING

from phaseopt.values.lazy import on_demand

if TYPE_CHECKING:
    from phaseopt.study.confirm import Confirmation, confirm_pull
    from phaseopt.study.offset_try import OffsetTry, try_offsets
    from phaseopt.study.offsets import OffsetStudy, study_offsets
    from phaseopt.study.plan import plan_next_pulls
    from phaseopt.study.run_sheet import RunSheet, SheetPull
    from phaseopt.study.tradeoff import Tradeoff, study_tradeoff
    from phaseopt.study.what_if import WhatIf, share_changes, try_changes

__all__ = [
    "Confirmation",
    "OffsetStudy",
    "OffsetTry",
    "RunSheet",
    "SheetPull",
    "Tradeoff",
    "WhatIf",
    "confirm_pull",
    "plan_next_pulls",
    "share_changes",
    "study_offsets",
    "study_tradeoff",
    "try_changes",
    "try_offsets",
]

__getattr__ = on_demand(
    __name__,
    {
        "confirm": ("Confirmation", "confirm_pull"),
        "offset_try": ("OffsetTry", "try_offsets"),
        "offsets": ("OffsetStudy", "study_offsets"),
        "plan": ("plan_next_pulls",),
        "run_sheet": ("RunSheet", "SheetPull"),
        "tradeoff": ("Tradeoff", "study_tradeoff"),
        "what_if": ("WhatIf", "share_changes", "try_changes"),
    },
)
