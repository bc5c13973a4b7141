"""Studies beside a project, of its very inputs: a build's report shows them."""

from dataclasses import dataclass

from phaseopt.clearance.limits import Limits
from phaseopt.search.objective import TorqueMap
from phaseopt.study.offsets import OffsetStudy, cached_offsets
from phaseopt.study.storage import study_file
from phaseopt.study.tradeoff import KIND, Tradeoff, cached_tradeoff
from phaseopt.study.tradeoff_trial import TradeoffInputs


@dataclass(frozen=True, eq=False)
class CachedStudies:
    """The trade-off and the study of offsets of the very inputs of a build; None for one that was not made."""

    tradeoff: Tradeoff | None
    offsets: OffsetStudy | None


NO_STUDIES = CachedStudies(None, None)


def cached_studies(limits: Limits, labels: TorqueMap, notes: tuple[str, ...]) -> CachedStudies:
    """Those in the project's own storage.

    Parameters: `labels`, torque of every label; `notes`, what every output says of where torque comes from. A study of
    other inputs, of another version or that was stopped before its end is none.
    """
    soft = None
    if study_file(KIND, limits.project.folder).is_file():  # before the project's own tables are searched again
        soft = cached_tradeoff(TradeoffInputs.of(limits.project, limits, labels, notes))
    return CachedStudies(soft, cached_offsets(limits, notes))
