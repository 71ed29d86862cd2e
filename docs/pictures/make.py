"""Make the pictures of the docs from the sample files: one command, from the checkout's root.

    python docs/pictures/make.py [OUT]

The page of `gcodetool review` (Debian's Chromium takes it, see tests/browser.py), the plot of `gcodetool drying
plan` and the report of `gcodetool check`, as a person sees them.  OUT is this folder if left out.
"""

import contextlib
import fcntl
import os
import pathlib
import pty
import re
import struct
import subprocess
import sys
import tempfile
import termios

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parent.parent
SAMPLES = ROOT / "sample_gcode"
AT = ["--at", "2026-11-25T09:00:00+01:00"]
JOB = ["hose-clips-tpu.gcode", "--spool", "shelf/tpu-05.toml", "--printer", "bench-1", *AT]
WIDTH = 100
sys.path.insert(0, str(ROOT / "tests"))


def gcodetool(*words: str) -> str:
    """Return what one call prints on a terminal of ``WIDTH`` columns, colours included."""
    code = "from gcodetool.cli.main import run; run()"
    more = {
        "TERM": "xterm-256color",
        "TZ": "Europe/Berlin",
        "PYTHONPATH": str(ROOT),
        "PYTHONIOENCODING": "utf-8",
    }
    inside, outside = pty.openpty()
    fcntl.ioctl(outside, termios.TIOCSWINSZ, struct.pack("HHHH", 60, WIDTH, 0, 0))
    command = [sys.executable, "-c", code, *words]
    with subprocess.Popen(command, cwd=SAMPLES, env={**os.environ, **more}, stdout=outside) as running:
        os.close(outside)
        parts = []
        with contextlib.suppress(OSError):  # the end of a terminal is an error on Linux
            while part := os.read(inside, 1 << 16):
                parts.append(part)
        os.close(inside)
    if running.returncode in (1, 2):
        raise SystemExit(f"gcodetool {' '.join(words)} failed")
    return b"".join(parts).decode().replace("\r\n", "\n")


def terminal(words: list[str], target: pathlib.Path) -> None:
    """Save what a call prints as an SVG without anything from outside."""
    from rich._export_format import CONSOLE_SVG_FORMAT
    from rich.console import Console
    from rich.text import Text

    with open(os.devnull, "w") as nowhere:  # noqa: PTH123
        console = Console(record=True, width=WIDTH, file=nowhere, force_terminal=True)
        console.print(Text(f"$ gcodetool {' '.join(words)}", style="bold"))
        console.print(Text.from_ansi(gcodetool(*words)))
    looks = re.sub(r"@font-face \{\{.*?\}\}|<!--.*?-->", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    looks = looks.replace("Fira Code", "ui-monospace, DejaVu Sans Mono")
    looks = looks.replace(
        "{chrome}", '<rect fill="#20303a" width="100%" height="100%"/>'
    )  # no window around it
    text = console.export_svg(title="", code_format=looks, unique_id=target.stem)
    assert "http" not in text.replace("http://www.w3.org/", "")
    target.write_text(text, encoding="utf-8")
    print(f"wrote {target}")


def page(out: pathlib.Path) -> None:
    """Save the review's page: its first screen, one layer chosen, and on a phone."""
    from browser import CHROMIUM, Browser

    if CHROMIUM is None:
        raise SystemExit("no chromium here: apt-get install chromium")
    with tempfile.TemporaryDirectory() as folder, Browser() as browser:
        review = pathlib.Path(folder) / "review.html"
        gcodetool("review", *JOB, "-o", str(review))
        browser.call("Emulation.setTimezoneOverride", timezoneId="Europe/Berlin")
        for width, height, name in ((1280, 800, "review"), (390, 844, "review-phone")):
            browser.size(width, height)
            browser.open(review)
            save(out / f"{name}.png", browser.picture())
        browser.dark(on=True)
        browser.size(390, 844)
        browser.open(review)
        browser.run("document.querySelector('.where').scrollIntoView()")
        save(out / "review-dark.png", browser.picture())
        browser.dark(on=False)
        browser.size(1280, 1000)
        browser.open(review)
        browser.point(".chart .wide svg", 0.62, 0.5, click=True)
        browser.run("document.querySelector('.nozzle').scrollIntoView()")
        browser.run("document.querySelector('.nozzle').scrollIntoView()")
        browser.point(".chart .wide svg", 0.62, 0.5, scroll=False)
        save(out / "review-layer.png", browser.picture())
        browser.run("document.querySelector('.spool').scrollIntoView()")
        save(out / "review-spool.png", browser.picture())


def save(target: pathlib.Path, png: bytes) -> None:
    """Write one picture and say so."""
    target.write_bytes(png)
    print(f"wrote {target}")


def main() -> None:
    """Make all pictures."""
    out = pathlib.Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    out.mkdir(parents=True, exist_ok=True)
    page(out)
    terminal(["check", *JOB], out / "check.svg")
    terminal(["drying", "plan", "shelf/tpu-02.toml", "--dryer", "oven", "--more", *AT], out / "drying.svg")


if __name__ == "__main__":
    main()
