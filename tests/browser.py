"""Debian's Chromium, headless, driven over its DevTools pipe: for looking at pages as a person would.

No driver and no port: commands go in on one pipe, answers and events come out on another.  The flags keep it
from looking for anything on a network.
"""

import base64
import json
import os
import pathlib
import select
import shutil
import subprocess
import tempfile
import time
from typing import Any, Self

CHROMIUM = shutil.which("chromium")
AXE = pathlib.Path(  # axe-core, which looks through pages for what shuts people out; `.ci/run` puts it there
    os.environ.get("GCODETOOL_TEST_AXE", "/usr/local/share/neighbours/axe.min.js")
)
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--hide-scrollbars"),
    *("--force-color-profile=srgb", "--remote-debugging-pipe"),
)
PATIENCE_S = 60.0


class Browser:
    """One Chromium with one page; closes with its ``with``."""

    def __init__(self) -> None:
        assert CHROMIUM is not None
        self.profile = tempfile.mkdtemp(prefix="chromium-")
        to_read, self.to_write = os.pipe()
        self.from_read, from_write = os.pipe()
        words = " ".join([CHROMIUM, *FLAGS, f"--user-data-dir={self.profile}", "about:blank"])
        self.process = subprocess.Popen(
            ["bash", "-c", f"exec {words} 3<&{to_read} 4>&{from_write}"],
            pass_fds=(to_read, from_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(from_write)
        self.number = 0
        self.held = b""
        self.events: list[dict[str, Any]] = []
        self.session: str | None = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.session = None
            self.call("Browser.close")
            self.process.wait(10)
        except (OSError, subprocess.TimeoutExpired, EOFError, TimeoutError):
            self.process.kill()
            self.process.wait()
        os.close(self.to_write)
        os.close(self.from_read)
        shutil.rmtree(self.profile, ignore_errors=True)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and return its answer; events that come meanwhile are kept."""
        self.number += 1
        message: dict[str, Any] = {"id": self.number, "method": method, "params": parameters}
        if self.session is not None:
            message["sessionId"] = self.session
        os.write(self.to_write, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + PATIENCE_S
        while True:
            got = self.next(until)
            if got.get("id") == self.number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']['message']}")
                return got["result"]
            self.events.append(got)

    def next(self, until: float) -> dict[str, Any]:
        """Return the next message."""
        while b"\0" not in self.held:
            ready, _, _ = select.select([self.from_read], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser says nothing")
            more = os.read(self.from_read, 1 << 20)
            if not more:
                raise EOFError("the browser has gone")
            self.held += more
        text, _, self.held = self.held.partition(b"\0")
        return json.loads(text)

    def size(self, width: int, height: int) -> None:
        """Make the page so large, in CSS pixels; narrow ones count as phones."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )

    def dark(self, *, on: bool) -> None:
        """Let pages know that the person likes them dark, or light."""
        wish = [{"name": "prefers-color-scheme", "value": "dark" if on else "light"}]
        self.call("Emulation.setEmulatedMedia", features=wish)

    def scripts(self, *, on: bool) -> None:
        """Let the next page run its scripts, or not."""
        self.call("Emulation.setScriptExecutionDisabled", value=not on)

    def open(self, path: pathlib.Path) -> None:
        """Open a file and wait until it is there."""
        self.visit(path.resolve().as_uri())

    def visit(self, url: str) -> None:
        """Open an address and wait until it is there."""
        self.events.clear()
        self.call("Page.navigate", url=url)
        self.loaded()

    def loaded(self) -> None:
        """Wait until the page that is on its way is there."""
        until = time.monotonic() + PATIENCE_S
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self.next(until))

    def run(self, expression: str) -> Any:
        """Return the value of a JavaScript expression in the page."""
        got = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in got:
            raise RuntimeError(str(got["exceptionDetails"]))
        return got["result"].get("value")

    def point(
        self, selector: str, across: float, down: float, *, click: bool = False, scroll: bool = True
    ) -> None:
        """Put the pointer on a place of an element, 0 to 1 across and down; click there."""
        x, y = self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); "
            f"if ({json.dumps(scroll)}) e.scrollIntoView({{block: 'center'}}); const b = e.getBoundingClientRect(); "
            f"return [b.left + {across} * b.width, b.top + {down} * b.height]; }})()"
        )
        kinds = ["mouseMoved", *(("mousePressed", "mouseReleased") if click else ())]
        for kind in kinds:
            held = {} if kind == "mouseMoved" else {"button": "left", "clickCount": 1}
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **held)

    def press(self, key: str) -> None:
        """Press one key of the keyboard: ``ArrowRight``, ``Home``."""
        codes = {
            "ArrowLeft": 37,
            "ArrowUp": 38,
            "ArrowRight": 39,
            "ArrowDown": 40,
            "Home": 36,
            "End": 35,
            "Tab": 9,
        }
        for kind in ("rawKeyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=codes[key]
            )

    def picture(self, *, whole: bool = False) -> bytes:
        """Return a PNG of what is seen, or of the whole page."""
        more = {}
        if whole:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            more = {"clip": {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}}
        got = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole, **more)
        return base64.b64decode(got["data"])

    def pdf(self) -> bytes:
        """Return the page as it is printed."""
        got = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return base64.b64decode(got["data"])

    def serious(self) -> list[list[str]]:
        """Return what axe-core finds serious or critical in the page as it stands, details open; (impact, rule, element)."""
        self.run("for (const each of document.querySelectorAll('details')) each.open = true")
        self.call("Runtime.evaluate", expression=AXE.read_text(encoding="utf-8"))
        found, passed = self.run(
            "axe.run().then((r) => [r.violations.flatMap((v) => v.nodes.map((n) => [v.impact, v.id, n.html])), "
            "r.passes.length])"
        )
        assert passed > 10, "axe-core did not look"
        return [each for each in found if each[0] in ("serious", "critical")]

    def complaints(self) -> list[str]:
        """Return what the page said on its console, errors of policy and script included."""
        self.run("0")
        said = []
        for event in self.events:
            method = event.get("method")
            if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
                said.append(json.dumps(event["params"])[:600])
        return said

    def requests(self) -> list[str]:
        """Return what the page asked for, its own file included."""
        self.run("0")
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]
