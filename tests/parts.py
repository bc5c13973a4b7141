"""A build with some of its parts changed, for tests of what is said of it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from phaseopt.job.build import Build
from phaseopt.project import Project
from phaseopt.search.solver import SearchResult

NONE: Mapping[str, Any] = {}


def changed(
    build: Build,
    *,
    project: Project | None = None,
    search: SearchResult | None = None,
    model: Mapping[str, Any] = NONE,
    comparison: Mapping[str, Any] = NONE,
    explanations: Mapping[str, Any] = NONE,
) -> Build:
    """The same build of another project or search, or with fields of its torque model and other parts changed."""
    contact = replace(build.contact, project=project or build.project)
    best = replace(
        build.best,
        limits=replace(build.limits, contact=contact),
        model=replace(build.model, **model),
        search=search or build.best.search,
    )
    return replace(
        build,
        best=best,
        comparison=replace(build.comparison, **comparison),
        explanations=replace(build.explanations, **explanations),
    )
