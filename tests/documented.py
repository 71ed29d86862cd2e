"""Pages of the docs whose commands are run, and whose shown output is compared with what they say."""

import contextlib
import io
import os
import pathlib
import re
import shlex
import shutil
import time

from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder

FENCE = re.compile(
    r"^(?:`(?P<name>[\w.-]+)`:\n\n)?```(?P<kind>\w+)\n(?P<body>.*?)^```", re.MULTILINE | re.DOTALL
)
SAMPLES = (
    "hose-clips-petg.gcode",
    "hose-clips-tpu.gcode",
    "drip-manifold-pa.gcode",
    "storage/bench.csv",
    "storage/box-2.csv",
)
NUMBER = re.compile(r"\d+(?:\.\d+)?")
VERDICTS = {0, 10, 20, 21, 30}
UPDATE = "GCODETOOL_UPDATE_DOCS"
NEAR = 0.12  # of a number that a model gives


def said(line: str) -> str:
    """Return what one command prints, both streams in their order."""
    both = io.StringIO()
    words = shlex.split(line, comments=True)
    assert words.pop(0) == "gcodetool"
    with contextlib.redirect_stdout(both), contextlib.redirect_stderr(both):
        code = outcome(words)
    assert code in (VERDICTS if words[0] == "check" else {0}), f"{line}: {both.getvalue()}"
    return both.getvalue()


def commands(body: str) -> list[tuple[str, str]]:
    """Return each command of a block with what stands below it."""
    found: list[tuple[str, str]] = []
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], ""))
        else:
            command, below = found[-1]
            found[-1] = (command, f"{below}{line.rstrip()}\n")
    return found


def same(shown: str, real: str) -> bool:
    """Return whether two outputs have the same words and nearly the same numbers."""
    if [NUMBER.sub("#", line).split() for line in shown.splitlines()] != [
        NUMBER.sub("#", line).split() for line in real.splitlines()
    ]:
        return False
    pairs = zip(NUMBER.findall(shown), NUMBER.findall(real), strict=True)
    return all(abs(float(a) - float(b)) <= NEAR * max(1.0, float(a), float(b)) for a, b in pairs)


def happens(page: pathlib.Path, folder: pathlib.Path, monkeypatch, *, columns: int = 160) -> int:
    """Run every command that stands on *page* before "Further", in *folder*; return how many there are.

    With GCODETOOL_UPDATE_DOCS the page is written anew instead of being compared.
    """
    monkeypatch.chdir(folder)
    monkeypatch.setenv("GCODETOOL_LEDGER", "ledger.sqlite")
    monkeypatch.setenv("GCODETOOL_PROFILES", str(folder / "none"))
    monkeypatch.setenv("GCODETOOL_WHO", "workshop")
    monkeypatch.setenv("TZ", "Europe/Vienna")
    monkeypatch.setenv("COLUMNS", str(columns))
    time.tzset()
    for name in SAMPLES:
        shutil.copy(sample_folder() / name, folder)
    text = page.read_text(encoding="utf-8")
    story = text[: text.index("## Further")]
    anew = story
    ran = 0
    try:
        for block in FENCE.finditer(story):
            if block["kind"] in ("csv", "toml"):
                (folder / block["name"]).write_text(block["body"], encoding="utf-8")
            elif block["kind"] == "sh":
                for line in block["body"].splitlines():
                    said(line)
                    ran += 1
            elif block["kind"] == "console":
                told = ""
                for line, shown in commands(block["body"]):
                    real = "".join(f"{each.rstrip()}\n" for each in said(line).splitlines())
                    told += f"$ {line}\n{real}"
                    ran += 1
                    if COMPILED and not os.environ.get(UPDATE):  # interpreted, there is no band to show
                        assert same(shown, real), f"$ {line}\n{real}\ninstead of\n{shown}"
                anew = anew.replace(block["body"], told, 1)
    finally:
        monkeypatch.undo()
        time.tzset()
    if os.environ.get(UPDATE):
        page.write_text(anew + text[len(story) :], encoding="utf-8")
    return ran
