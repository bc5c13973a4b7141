"""Parts of the page as HTML: the same blocks as a report's, and templates of the live page; all text escaped."""

from functools import cache
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader

from phaseopt.report.page import environment


def filled(template: str, **context: Any) -> str:
    """A template of the live page, or of reports, as HTML."""
    return _environment().get_template(template).render(context)


@cache
def _environment() -> Environment:
    made = environment().overlay()
    assert made.loader is not None
    made.loader = ChoiceLoader([PackageLoader("phaseopt.live"), made.loader])
    return made
