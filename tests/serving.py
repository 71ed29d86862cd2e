"""A server of a test's own, and a browser as simple as can be: cookies, and forms as they stand in a page."""

import contextlib
import html
import http.client
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urlencode, urlsplit

from gcodetool.serve.run import listening, server_of
from gcodetool.serve.settings import Settings, known_hosts
from gcodetool.serve.web import application


@dataclass
class Form:
    """A form of a page: where it goes, its fields with what stands in them, and its buttons' names and values."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)
    named: list[str] = field(default_factory=list)


class Page(HTMLParser):
    """The forms, links and words of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.words: list[str] = []
        self.tags: list[str] = []
        self.selected = ""
        self.feed(re.sub('<span class="nb">(.*?)</span>', r"\1", text).replace("\u00a0", " "))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        if tag == "form":
            self.forms.append(Form(found["action"]))
        elif tag in ("input", "select") and self.forms and "name" in found and found.get("type") != "radio":
            self.forms[-1].fields[found["name"]] = found.get("value", "")
            self.forms[-1].named.append(found["name"] if found.get("type") != "hidden" else "")
            self.selected = found["name"] if tag == "select" else ""
        elif tag == "option" and self.selected and not self.forms[-1].fields[self.selected]:
            self.forms[-1].fields[self.selected] = found.get("value", "")
        elif tag == "button" and self.forms and "name" in found:
            self.forms[-1].buttons.append((found["name"], found["value"]))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def form(self, what: str, at: int = 0) -> Form:
        """Return the form that notes this."""
        return [each for each in self.forms if each.fields.get("what") == what][at]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def page(self) -> Page:
        return Page(self.body.decode())


class Client:
    """One device: it keeps its cookie, and says whose page it comes from as browsers do."""

    def __init__(self, port: int, *, host: str = "127.0.0.1", patience_s: float = 60.0) -> None:
        self.port, self.host, self.patience_s = port, host, patience_s
        self.cookie: str | None = None
        self.sent: dict[str, str] = {}

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
    ) -> Answer:
        conn = http.client.HTTPConnection("127.0.0.1", self.port, timeout=self.patience_s)
        try:
            said = {"Host": f"{self.host}:{self.port}"}
            if self.cookie:
                said["Cookie"] = self.cookie
            if method == "POST":
                said |= {
                    "Origin": f"http://{self.host}:{self.port}",
                    "Content-Type": "application/x-www-form-urlencoded",
                }
            said |= headers or {}
            conn.request(
                method, path, body=body, headers={key: value for key, value in said.items() if value}
            )
            got = conn.getresponse()
            answer = Answer(got.status, {key.lower(): value for key, value in got.getheaders()}, got.read())
        finally:
            conn.close()
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].partition(";")[0]
        return answer

    def get(self, path: str, **headers: str) -> Answer:
        """Return a page, wherever it sends us."""
        answer = self.ask("GET", path, headers=headers)
        while True:
            led = re.search(rb'http-equiv="refresh" content="0;url=([^"]+)"', answer.body)
            if answer.status == 303:
                answer = self.ask("GET", answer.headers["location"])
            elif led:
                answer = self.ask("GET", html.unescape(led[1].decode()))
            else:
                return answer

    def post(
        self, form: Form, follow: bool = True, headers: dict[str, str] | None = None, **filled: str
    ) -> Answer:
        """Send a form, filled in, and return the page that comes."""
        body = urlencode({**form.fields, **filled}).encode()
        answer = self.ask("POST", form.action, body, headers)
        while follow and answer.status == 303:
            answer = self.ask("GET", answer.headers["location"])
        return answer


@contextlib.contextmanager
def served(told: list[str] | None = None, **words: object) -> Iterator[int]:
    """Give the port of a server in a thread of its own; *told* gets its pairing codes."""
    lan = bool(words.get("lan"))
    tls = {name: words.pop(name) for name in ("certificate", "key") if name in words}
    settings = Settings(hosts=known_hosts(lan=lan, address=None), **words)  # type: ignore[arg-type]
    sock = listening("127.0.0.1", 0)
    server = server_of(application(settings, (told if told is not None else []).append), settings, **tls)  # type: ignore[arg-type]
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
    thread.start()
    try:
        yield sock.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(30)
        sock.close()
        assert not thread.is_alive()


def raw(port: int, data: bytes, *, patience_s: float = 30.0) -> bytes:
    """Send bytes as they are, and return all that comes until the other side closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=patience_s) as conn:
        with contextlib.suppress(ConnectionError):
            conn.sendall(data)
        found = b""
        with contextlib.suppress(ConnectionError):
            while more := conn.recv(65_536):
                found += more
        return found


def path_of(address: str) -> str:
    """Return the path of an address."""
    return urlsplit(address).path
