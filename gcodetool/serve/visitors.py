"""Who somebody is: a cookie with a token, signed; with ``--lan`` one that was paired.

On this machine alone nobody is asked; the token then only ties a form to the browser that got it.
"""

import re
import secrets
from dataclasses import dataclass
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from gcodetool.app.access import who
from gcodetool.serve.seal import Seal
from gcodetool.serve.settings import Settings

WITHIN: Final = re.compile(
    r"/(?:[!-.0-\[\]-~][!-\[\]-~]*)?"
)  # a path of this server: no second slash, no backslash
COOKIE: Final = "gcodetool"
LASTS_S: Final = 400 * 86_400  # the longest that browsers keep one


@dataclass(frozen=True)
class Visitor:
    """Somebody at a page.

    Attributes
    ----------
    token : in the cookie, or the one that it will get.
    new : it has no cookie yet.
    may : whether it may see the shelf.
    device : the name it was paired under; None: nobody was asked.
    """

    token: str
    new: bool
    may: bool
    device: str | None = None


def visitor_of(request: Request, seal: Seal, settings: Settings) -> Visitor:
    """Return who sends a request."""
    token = seal.token(request.cookies.get(COOKIE))
    if token is None:
        return Visitor(secrets.token_urlsafe(24), True, not settings.lan)
    if not settings.lan:
        return Visitor(token, False, True)
    found = who(token, ledger=settings.ledger)
    paired = found is not None and found.role == "device"
    return Visitor(token, False, paired, found.name if found is not None and paired else None)


def comes_from_elsewhere(request: Request, visitor: Visitor, settings: Settings) -> bool:
    """Return whether a cookie may be kept back: a link elsewhere led here, or the camera at a label.

    Browsers send a ``SameSite=Strict`` cookie only where the way began at this server.  A new one would take a paired
    device's place, so the way is led through a page of this server's first.
    """
    if not visitor.new or request.method != "GET":
        return False
    return settings.lan or request.headers.get("sec-fetch-site") == "cross-site"


def within(path: str) -> str:
    """Return a path to go on to, if it is one of this server's, else the first page.

    >>> within("/s/pa6-07"), within("//elsewhere.example"), within("https://elsewhere.example"), within("/hello?to=/")
    ('/s/pa6-07', '/', '/', '/')
    """
    return path if WITHIN.fullmatch(path) and not path.startswith(("/hello", "/pair")) else "/"


def give(response: Response, token: str, seal: Seal, settings: Settings) -> Response:
    """Put a token's cookie into a response."""
    response.set_cookie(
        COOKIE, seal.cookie(token), max_age=LASTS_S, httponly=True, samesite="strict", secure=settings.secure
    )
    return response
