"""Studies beside a project, of its very inputs: a build's report shows them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from phaseopt.clearance.limits import Limits
from phaseopt.io.cache import FOLDER
from phaseopt.search.objective import TorqueMap

if TYPE_CHECKING:
    from phaseopt.study.offsets import OffsetStudy
    from phaseopt.study.tradeoff import Tradeoff


@dataclass(frozen=True, eq=False)
class CachedStudies:
    """The trade-off and the study of offsets of the very inputs of a build; None for one that was not made."""

    tradeoff: "Tradeoff | None"
    offsets: "OffsetStudy | None"


NO_STUDIES = CachedStudies(None, None)


def cached_studies(limits: Limits, labels: TorqueMap, notes: tuple[str, ...]) -> CachedStudies:
    """Those in the project's own storage.

    Parameters: `labels`, torque of every label; `notes`, what every output says of where torque comes from. A study of
    other inputs, of another version or that was stopped before its end is none.
    """
    if not list((limits.project.folder / FOLDER).glob("*.sqlite")):  # then the libraries of studies need no import
        return NO_STUDIES
    from phaseopt.study.offsets import cached_offsets
    from phaseopt.study.storage import study_file
    from phaseopt.study.tradeoff import KIND, cached_tradeoff
    from phaseopt.study.tradeoff_trial import TradeoffInputs

    soft = None
    if study_file(KIND, limits.project.folder).is_file():  # before the project's own tables are searched again
        soft = cached_tradeoff(TradeoffInputs.of(limits.project, limits, labels, notes))
    return CachedStudies(soft, cached_offsets(limits, notes))
