"""Templates to pages. Everything that is put into one is escaped."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Other modules of the pages may add filters to it when they are loaded."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(loader=PackageLoader("hoodnote.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> Response:
    """A template sees `request`, `person` (None when nobody is paired), `csrf()` for its forms and `csrf_token()` for its scripts."""
    from markupsafe import Markup

    token = getattr(request.state, "csrf", "")

    def csrf() -> Markup:
        return Markup('<input type="hidden" name="csrf" value="{}">').format(token)

    text = environment().get_template(template).render(
        request=request, person=getattr(request.state, "person", None), csrf=csrf, csrf_token=lambda: token, **context)
    return HTMLResponse(text, status)


def problem(request: Request, status: int, text: str) -> Response:
    """One line that says what to do: as a page for a person, as JSON for a script."""
    if "text/html" in request.headers.get("accept", ""):
        return page(request, "error.html", status=status, problem=text)
    return JSONResponse({"problem": text}, status)
