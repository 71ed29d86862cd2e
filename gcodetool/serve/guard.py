"""What stands before every page: the name that was called, how much and how fast, and what the browser may do.

Plain ASGI around the application.  Left out: who somebody is (``visitors``).
"""

import asyncio
import time
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final
from urllib.parse import urlsplit

from gcodetool.serve.settings import Settings

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY: Final = 16_384  # bytes of a form or a reading: a note of some pages
BODY_S: Final = 10.0
MOST_ADDRESS: Final = 2048
PER_SECOND: Final = {"GET": 400.0, "POST": 100.0}  # requests from one address, and twice that at once
POLICY: Final = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),  # with no-referrer a browser hides the origin of our own forms
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)
ADDRESSES_KEPT: Final = 4096


class RefusedError(Exception):
    """A request that goes no further: its status and one line."""

    def __init__(self, status: int, line: str) -> None:
        super().__init__(line)
        self.status, self.line = status, line


class Pace:
    """How many requests each address may still make: a bucket that fills by *rate* a second."""

    def __init__(self, rate: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.rate, self.clock = rate, clock
        self.left: dict[str, tuple[float, float]] = {}

    def admits(self, address: str) -> bool:
        """Return whether one more is within the pace, and count it."""
        now = self.clock()
        left, since = self.left.get(address, (2 * self.rate, now))
        left = min(2 * self.rate, left + (now - since) * self.rate)
        if len(self.left) > ADDRESSES_KEPT:
            self.left.clear()
        self.left[address] = (left - 1.0 if left >= 1.0 else left, now)
        return left >= 1.0


class Guard:
    """The application behind its checks."""

    def __init__(self, app: App, settings: Settings) -> None:
        self.app, self.settings = app, settings
        self.paces = {method: Pace(rate) for method, rate in PER_SECOND.items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False

        async def sent(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                there = {name for name, _ in message["headers"]}
                more = [*HEADERS, (b"content-security-policy", POLICY.encode())]
                more += [(b"cache-control", b"no-store")]
                message["headers"] = [*message["headers"], *(one for one in more if one[0] not in there)]
            await send(message)

        try:
            self.check(scope)
            await self.app(scope, bounded(receive), sent)
        except RefusedError as refused:
            if not begun:
                await answer(sent, refused)

    def check(self, scope: Scope) -> None:
        """Refuse what is not for this server, or too much.

        Raises
        ------
        RefusedError
            With what to answer.
        """
        method = scope["method"]
        address = scope["client"][0] if scope.get("client") else ""
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        if not self.settings.may_be_called(headers.get("host", "")):
            raise RefusedError(421, "This server does not go by that name; --address states another.")
        pace = self.paces.get("GET" if method == "HEAD" else method)
        if pace is None:
            raise RefusedError(405, "Only pages and forms here.")
        if not pace.admits(address):
            raise RefusedError(429, "Too many requests from one device; try again in a second.")
        if len(scope["raw_path"]) + len(scope["query_string"]) > MOST_ADDRESS:
            raise RefusedError(414, "That address is too long.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BODY:
            raise RefusedError(413, "That is too much for one form.")
        if method == "POST" and not scope["path"].startswith("/air/"):  # a sensor shows its token instead
            same_origin(headers)


def same_origin(headers: dict[str, str]) -> None:
    """Refuse a form that another site's page sends.

    Raises
    ------
    RefusedError
        Its origin is another one, or hidden.
    """
    origin, site = headers.get("origin"), headers.get("sec-fetch-site", "same-origin")
    called = headers.get("host", "")
    foreign = origin is not None and urlsplit(origin).netloc != called
    unsaid = origin is None and urlsplit(headers.get("referer", "")).netloc != called
    if foreign or unsaid or site not in ("same-origin", "none"):
        raise RefusedError(
            403, "This form comes from another site; open the page here and send it from there."
        )


def bounded(receive: Receive) -> Receive:
    """Return what gives a body's pieces: no more than a form has, and not for ever."""
    got = 0
    ends: float | None = None

    async def piece() -> Message:
        nonlocal got, ends
        clock = asyncio.get_running_loop().time
        ends = clock() + BODY_S if ends is None else ends
        try:
            message = await asyncio.wait_for(receive(), max(0.0, ends - clock()))
        except TimeoutError:
            raise RefusedError(408, "That took too long; send it again.") from None
        got += len(message.get("body", b""))
        if got > MOST_BODY:
            raise RefusedError(413, "That is too much for one form.")
        return message

    return piece


async def answer(send: Send, refused: RefusedError) -> None:
    """Send one line; the connection ends with it, so that nothing left of the request is read as another."""
    body = refused.line.encode() + b"\n"
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
