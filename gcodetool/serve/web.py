"""The application: addresses to pages, and forms to the ledger.

Requests are read here and handed to a thread, as the ledger and the forecasts block.  Left out: what stands before
every request (``guard``), running it (``run``).
"""

import functools
import json
import threading
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from gcodetool.app.access import grant, secret, who
from gcodetool.app.air import take_in
from gcodetool.app.noting import Noted, Subject, note
from gcodetool.errors import (
    DoubtError,
    FormUsedError,
    GcodetoolError,
    InputError,
    LedgerError,
    MovedMeanwhileError,
    UsageError,
)
from gcodetool.report.due_calendar import calendar
from gcodetool.report.html.page import style_of
from gcodetool.serve.fields import READERS, FieldError, Fields, moment, on_page, read_fields
from gcodetool.serve.guard import Guard, RefusedError
from gcodetool.serve.looks import Looks
from gcodetool.serve.seal import FormKey, NotOursError, Pairing, Seal, TooOldError, WaitError
from gcodetool.serve.settings import Settings
from gcodetool.serve.views import TEMPLATES, Views, address
from gcodetool.serve.visitors import Visitor, comes_from_elsewhere, give, visitor_of, within
from gcodetool.shell import shell_word

ASSETS: Final = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
REMARKS_KEPT: Final = 500


@dataclass(frozen=True)
class Banner:
    """What was done, on top of the page that comes after it."""

    happened: tuple[Any, ...]
    notes: tuple[str, ...]


class Site:
    """One server's pages and forms."""

    def __init__(self, settings: Settings, tell: Callable[[str], None]) -> None:
        self.settings = settings
        self.seal = Seal(secret())
        self.looks = Looks(settings)
        self.views = Views(settings, self.looks)
        self.pairing = Pairing(tell)
        self.remarks: OrderedDict[int, Banner] = OrderedDict()  # by the first entry: what the next page says
        self.remarks_lock = threading.Lock()

    # ---------------------------------------------------------------- looking

    def context(self, visitor: Visitor) -> dict[str, Any]:
        """Return what every page is given: the keys for its forms, and who looks."""

        def key(subject: Subject, name: str, seen: int | None = None) -> str:
            return self.seal.form(visitor.token, subject, name, seen)

        return {"form": None if self.settings.read_only else key, "device": visitor.device}

    def shelf(self, request: Request, visitor: Visitor) -> Response:
        """Answer with the list of spools."""
        return HTMLResponse(self.views.shelf(**self.context(visitor)))

    def due(self, request: Request, visitor: Visitor) -> Response:
        """Answer with what needs a hand."""
        return HTMLResponse(self.views.due(**self.context(visitor)))

    def jobs(self, request: Request, visitor: Visitor) -> Response:
        """Answer with the jobs that wait."""
        return HTMLResponse(self.views.jobs(**self.context(visitor)))

    def places(self, request: Request, visitor: Visitor) -> Response:
        """Answer with the list of places."""
        return HTMLResponse(self.views.places(**self.context(visitor)))

    def job(self, request: Request, visitor: Visitor) -> Response:
        """Answer with the page on one job; it brings a content policy of its own."""
        try:
            text = self.looks.job_page(request.path_params["name"])
        except GcodetoolError as error:
            return self.said(str(error), 422)
        if text is None:
            return self.said("There is no such job in the folder.", 404)
        policy = "frame-ancestors 'none'; form-action 'none'"
        return HTMLResponse(text, headers={"Content-Security-Policy": policy})

    def spool(self, request: Request, visitor: Visitor) -> Response:
        """Answer with one spool."""
        return self.one("spool", request.path_params["name"], visitor, request.query_params.get("done"))

    def place(self, request: Request, visitor: Visitor) -> Response:
        """Answer with one place."""
        return self.one("place", request.path_params["name"], visitor, request.query_params.get("done"))

    def one(
        self, subject: Subject, name: str, visitor: Visitor, done: str | None = None, **more: Any
    ) -> Response:
        """Answer with the page of a spool or a place."""
        banner = None
        if done is not None and done.isdecimal() and len(done) < 16:
            with self.remarks_lock:
                banner = self.remarks.get(int(done))
        view = self.views.spool if subject == "spool" else self.views.place
        try:
            return HTMLResponse(view(name, banner=banner, **self.context(visitor), **more))
        except (LedgerError, InputError) as error:
            undone = (
                banner is not None and banner.happened[0].kind == "undone"
            )  # that it was put on the shelf
            return self.said(str(error), 200 if undone else 404, banner=banner)

    def said(self, line: str, status: int, **more: Any) -> Response:
        """Answer with one line."""
        return HTMLResponse(self.views.page("said.html", line=line, **more), status_code=status)

    # ---------------------------------------------------------------- noting

    def noted(self, request: Request, visitor: Visitor, body: bytes) -> Response:
        """Note what a form says, and answer with the page that shows it."""
        if self.settings.read_only:
            return self.said("Nothing can be noted here: the server was started with --read-only.", 403)
        try:
            fields = read_fields(body)
            key = self.seal.opened(fields.get("key", ""), visitor.token)
        except TooOldError:
            return self.said(
                "This page was opened more than a week ago; open it again. Nothing was noted.", 409
            )
        except (NotOursError, FieldError):
            return self.said(
                "This form was not made for this device; open the page again. Nothing was noted.", 403
            )
        what = fields.get("what", "")
        reader = READERS.get((key.subject, what))
        if reader is None or key.subject == "pair":
            return self.said("There is no such form. Nothing was noted.", 400)
        try:
            done = note(
                key.subject, key.name, what, reader(fields), key=key.text, seen=key.seen,
                who=visitor.device or "", at_s=moment(fields),
                force=fields.get("force") == "yes", ledger=self.settings.ledger,
            )  # fmt: skip
        except MovedMeanwhileError as moved:
            return self.asked_again(visitor, key, fields, str(moved), moved.numbers)
        except FormUsedError as used:
            return self.sent_before(visitor, key, fields, used)
        except FieldError as error:
            return self.not_noted(visitor, key, fields, str(error), force=False)
        except GcodetoolError as error:
            return self.not_noted(visitor, key, fields, str(error), force=isinstance(error, DoubtError))
        return self.confirmed(done)

    def confirmed(self, done: Noted) -> Response:
        """Answer with the page that says what was noted, by an address that can be loaded again."""
        number = done.happened[0].number if done.happened else 0
        with self.remarks_lock:
            self.remarks[number] = Banner(done.happened, tuple(map(on_page, done.notes)))
            while len(self.remarks) > REMARKS_KEPT:
                self.remarks.popitem(last=False)
        return RedirectResponse(f"{address(done.subject, done.name)}?done={number}", status_code=303)

    def sent_before(self, visitor: Visitor, key: FormKey, fields: Fields, used: FormUsedError) -> Response:
        """Answer a form that was sent before: with what was noted then; other figures are asked for again."""
        if used.same:
            with self.remarks_lock:
                done = [number for number in used.numbers[:1] if number in self.remarks]
            told = f"?done={done[0]}" if done else ""
            return RedirectResponse(address(key.subject, key.name) + told, status_code=303)
        return self.asked_again(
            visitor, key, fields, "This form was sent before, with something else in it", used.numbers
        )

    def asked_again(
        self, visitor: Visitor, key: FormKey, fields: Fields, line: str, numbers: tuple[int, ...]
    ) -> Response:
        """Answer with a question: what happened meanwhile, and whether this is to be noted all the same."""
        past = [] if key.subject == "pair" else self.views.happened(key.subject, key.name, numbers)
        return HTMLResponse(
            self.views.page(
                "again.html", line=line, past=past, fields=carried(fields), subject=key.subject, name=key.name,
                key=self.seal.form(visitor.token, key.subject, key.name), device=visitor.device,
            ),
            status_code=409,
        )  # fmt: skip

    def not_noted(
        self, visitor: Visitor, key: FormKey, fields: Fields, line: str, *, force: bool
    ) -> Response:
        """Answer with why nothing was noted; what a check doubts can be noted all the same."""
        return HTMLResponse(
            self.views.page(
                "refused.html", line=on_page(line), fields=carried(fields), subject=key.subject, name=key.name,
                key=self.seal.form(visitor.token, key.subject, key.name, key.seen) if force else None,
                device=visitor.device,
            ),
            status_code=422,
        )  # fmt: skip

    # ---------------------------------------------------------------- coming in

    def hello(self, request: Request, visitor: Visitor) -> Response:
        """Lead somebody on who came from elsewhere: here a cookie is there, or there is none."""
        to = within(request.query_params.get("to", "/"))
        return RedirectResponse(to if visitor.may else onward("/pair", to), status_code=303)

    def pair_page(self, request: Request, visitor: Visitor) -> Response:
        """Answer with the form that asks for the code."""
        to = within(request.query_params.get("to", "/"))
        if visitor.may:
            return RedirectResponse(to, status_code=303)
        self.pairing.offer()
        return self.asks_code(visitor, "", to=to)

    def asks_code(self, visitor: Visitor, line: str, status: int = 200, *, to: str = "/") -> Response:
        """Answer with that form and one line; *to*: where to go once it is paired."""
        key = self.seal.form(visitor.token, "pair", to)
        return HTMLResponse(self.views.page("pair.html", line=line, key=key), status_code=status)

    def paired(self, request: Request, visitor: Visitor, body: bytes) -> Response:
        """Let a device in that knows the code."""
        try:
            fields = read_fields(body)
            key = self.seal.opened(fields.get("key", ""), visitor.token)
        except (TooOldError, NotOursError, FieldError):
            return self.asks_code(visitor, "This page was too old; write the code again.", 403)
        if key.subject != "pair" or not self.settings.lan:
            return self.asks_code(visitor, "That form pairs nothing.", 403)
        name, to = fields.get("name", ""), within(key.name)
        client = request.client.host if request.client is not None else ""
        try:
            if not name:
                return self.asks_code(
                    visitor, "Give this device a name, so that you can find it again.", 422, to=to
                )
            if any(each.name == name for each in self.views.visitors()):
                return self.asks_code(
                    visitor, "Another device has that name; choose another one.", 422, to=to
                )
            if not self.pairing.tried(fields.get("code", ""), client):
                return self.asks_code(
                    visitor, "That is not the code that stands on the terminal now.", 403, to=to
                )
            token = grant(name, "device", ledger=self.settings.ledger)
        except WaitError as wait:
            return self.asks_code(
                visitor, f"Too many wrong codes; wait {wait.seconds:.0f} s and try again.", 429
            )
        except GcodetoolError as error:
            return self.asks_code(visitor, str(error), 422, to=to)
        return give(RedirectResponse(to, status_code=303), token, self.seal, self.settings)

    # ---------------------------------------------------------------- machines

    def air(self, request: Request, body: bytes) -> Response:
        """Take a sensor's reading in."""
        token = bearer(request)
        found = None if token is None else who(token, ledger=self.settings.ledger)
        place = request.path_params["name"]
        if found is None or found.role != "sensor" or found.place != place:
            return JSONResponse(
                {
                    "error": f"no token for the air of this place; make one: gcodetool place sensor {shell_word(place)}"
                },
                status_code=401,
                headers={"WWW-Authenticate": "Bearer"},
            )
        if self.settings.read_only:
            return JSONResponse({"error": "the server was started with --read-only"}, status_code=403)
        try:
            kept = take_in(place, said_by(request, body), source=found.name, ledger=self.settings.ledger)
        except (GcodetoolError, FieldError) as error:
            return JSONResponse({"error": str(error)}, status_code=422)
        return JSONResponse({"noted": kept})

    def calendar(self, request: Request) -> Response:
        """Answer with what needs a hand as a calendar; with ``--lan`` for those who have a calendar's token."""
        if self.settings.lan:
            token = bearer(request) or password(request)
            found = None if token is None else who(token, ledger=self.settings.ledger)
            if found is None or found.role != "calendar":
                return Response(
                    "a calendar needs its own password: gcodetool serve devices calendar NAME\n",
                    status_code=401,
                    headers={"WWW-Authenticate": 'Basic realm="gcodetool calendar"'},
                )
        try:
            return Response(calendar(self.looks.due()), media_type="text/calendar; charset=utf-8")
        except UsageError as error:
            return Response(str(error), status_code=501)


def carried(fields: Fields) -> dict[str, str]:
    """Return the fields of a form that are to be sent again."""
    return {name: value for name, value in fields.items() if name not in ("key", "force")}


def bearer(request: Request) -> str | None:
    """Return a bearer token."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def password(request: Request) -> str | None:
    """Return the password of basic authentication; the user may be any."""
    import base64
    import binascii

    kind, _, word = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "basic":
        return None
    try:
        return base64.b64decode(word, validate=True).decode().partition(":")[2]
    except (binascii.Error, UnicodeDecodeError, ValueError):
        return None


def said_by(request: Request, body: bytes) -> dict[str, Any]:
    """Return what a sensor says: JSON, or a form.

    Raises
    ------
    FieldError
        Neither.
    """
    if request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return dict(read_fields(body))
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise FieldError('send {"temperature_C": 21.5, "rh_pct": 48.0}')
    return found


Page = Callable[[Request, Visitor], Response]


def application(settings: Settings, tell: Callable[[str], None]) -> Guard:
    """Return the application behind its checks; *tell* is given each pairing code."""
    site = Site(settings, tell)

    def looked(page: Page, *, open_to_all: bool = False) -> Callable[[Request], Awaitable[Response]]:
        async def endpoint(request: Request) -> Response:
            return await run_in_threadpool(answered, site, page, request, open_to_all)

        return endpoint

    def sent(take: Callable[[Request, Visitor, bytes], Response], *, open_to_all: bool = False) -> Any:
        async def endpoint(request: Request) -> Response:
            body = await request.body()
            page = functools.partial(_with_body, take, body)
            return await run_in_threadpool(answered, site, page, request, open_to_all)

        return endpoint

    async def air(request: Request) -> Response:
        return await run_in_threadpool(site.air, request, await request.body())

    async def ics(request: Request) -> Response:
        return await run_in_threadpool(site.calendar, request)

    async def asset(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in ASSETS:
            return Response(status_code=404)
        kept = {"Cache-Control": "max-age=3600"}
        if name == "page.css":
            return Response(style_of(TEMPLATES / name), media_type=ASSETS[name], headers=kept)
        return FileResponse(TEMPLATES / name, media_type=ASSETS[name], headers=kept)

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, RefusedError)
        return Response(error.line + "\n", error.status, {"Connection": "close"}, "text/plain; charset=utf-8")

    async def missing(request: Request, error: Exception) -> Response:
        return site.said("There is no such page.", getattr(error, "status_code", 404))

    async def broken(request: Request, error: Exception) -> Response:
        return site.said(f"{error}", 503) if isinstance(error, GcodetoolError) else site.said(FAULT, 500)

    app = Starlette(
        routes=[
            Route("/", looked(site.shelf)),
            Route("/due", looked(site.due)),
            Route("/due.ics", ics),
            Route("/jobs", looked(site.jobs)),
            Route("/jobs/{name}", looked(site.job)),
            Route("/places", looked(site.places)),
            Route("/s/{name:path}", looked(site.spool)),
            Route("/p/{name:path}", looked(site.place)),
            Route("/note", sent(site.noted), methods=["POST"]),
            Route("/hello", looked(site.hello, open_to_all=True)),
            Route("/pair", looked(site.pair_page, open_to_all=True)),
            Route("/pair", sent(site.paired, open_to_all=True), methods=["POST"]),
            Route("/air/{name:path}", air, methods=["POST"]),
            Route("/files/{name}", asset),
        ],
        exception_handlers={
            RefusedError: refused,
            404: missing,
            405: missing,
            GcodetoolError: broken,
            500: broken,
        },
    )
    return Guard(app, settings)


FAULT: Final = "A fault in gcodetool itself; the server's terminal says more. Nothing was noted."


def asked_for(request: Request) -> str:
    """Return the path that was asked for, as a browser writes it; of a form the first page."""
    return within(quote(request.url.path, safe="/~!$&'()*+,;=:@")) if request.method == "GET" else "/"


def onward(way: str, to: str) -> str:
    """Return an address on the way to a page."""
    return way if to == "/" else f"{way}?to={quote(to, safe='')}"


def _with_body(
    take: Callable[[Request, Visitor, bytes], Response], body: bytes, request: Request, visitor: Visitor
) -> Response:
    return take(request, visitor, body)


def answered(site: Site, page: Page, request: Request, open_to_all: bool) -> Response:
    """Return the answer to somebody who may have it; others are sent to where they can pair."""
    visitor = visitor_of(request, site.seal, site.settings)
    if not open_to_all and comes_from_elsewhere(request, visitor, site.settings):
        return HTMLResponse(site.views.page("elsewhere.html", to=onward("/hello", asked_for(request))))
    if not visitor.may and not open_to_all:
        response: Response = RedirectResponse(onward("/pair", asked_for(request)), status_code=303)
    else:
        response = page(request, visitor)
    if visitor.new and "set-cookie" not in response.headers:
        give(response, visitor.token, site.seal, site.settings)
    return response
