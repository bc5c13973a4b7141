"""Parts of the page as HTML: the same blocks as a report's, and templates of the live page; all text escaped."""

from functools import cache
from typing import TYPE_CHECKING, Any

from jinja2 import ChoiceLoader, Environment, PackageLoader
from markupsafe import Markup

from phaseopt.report.page import environment

if TYPE_CHECKING:
    from phaseopt.report.figures.drawing import Drawing


def filled(template: str, **context: Any) -> str:
    """A template of the live page, or of reports, as HTML."""
    return _environment().get_template(template).render(context)


def picture_of(drawing: "Drawing") -> Markup:
    """A figure as it stands in a part; what drew it escaped its texts."""
    return Markup(drawing.element())


@cache
def _environment() -> Environment:
    made = environment().overlay()
    assert made.loader is not None
    made.loader = ChoiceLoader([PackageLoader("phaseopt.live"), made.loader])
    return made
