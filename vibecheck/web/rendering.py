"""Web: pages from templates. `page`."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse

from vibecheck import __version__
from vibecheck.report import words

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def environment() -> Environment:
    """Return the template environment, with escaping always on."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=ChoiceLoader(
            [
                PackageLoader("vibecheck.web", "templates"),
                PackageLoader("vibecheck.report", "templates"),
            ]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Fill in a template; everything that is not marked as safe is escaped.

    Parameters
    ----------
    request : Request
    template : str
        A file of ``vibecheck/web/templates``.
    status : int, optional
    **values
        At least ``title``. The template also sees ``words``, ``version`` and ``lan``.
    """
    text = (
        environment()
        .get_template(template)
        .render(
            words=words,
            version=__version__,
            lan=request.app.state.settings.lan,
            path=request.url.path,
            **values,
        )
    )
    return HTMLResponse(text, status_code=status)
