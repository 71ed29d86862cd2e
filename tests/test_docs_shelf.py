"""The weeks in ``docs/shelf.md`` and ``docs/storage.md`` happen: every command there runs, and says what stands there.

Numbers may move a little when a model does; words may not.  After a change that is meant:
``GCODETOOL_UPDATE_DOCS=1 pytest tests/test_docs_shelf.py`` writes the page anew.
"""

import contextlib
import io
import os
import pathlib
import re
import shlex
import shutil
import time

import pytest

from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder

DOCS = pathlib.Path(__file__).parent.parent / "docs"
SAMPLES = (
    "hose-clips-petg.gcode",
    "hose-clips-tpu.gcode",
    "drip-manifold-pa.gcode",
    "storage/bench.csv",
    "storage/box-2.csv",
)
FENCE = re.compile(
    r"^(?:`(?P<name>[\w.-]+)`:\n\n)?```(?P<kind>\w+)\n(?P<body>.*?)^```", re.MULTILINE | re.DOTALL
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


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process")
@pytest.mark.parametrize(("page_name", "fewest"), [("shelf.md", 25), ("storage.md", 15)])
def test_the_week_on_the_page_happens(
    page_name: str, fewest: int, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = DOCS / page_name
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_LEDGER", "ledger.sqlite")
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "none"))
    monkeypatch.setenv("GCODETOOL_WHO", "workshop")
    monkeypatch.setenv("TZ", "Europe/Vienna")
    monkeypatch.setenv("COLUMNS", "160")
    time.tzset()
    for name in SAMPLES:
        shutil.copy(sample_folder() / name, tmp_path)
    text = path.read_text(encoding="utf-8")
    page = text[: text.index("## Further")]
    anew = page
    ran = 0
    try:
        for block in FENCE.finditer(page):
            if block["kind"] == "csv":
                (tmp_path / block["name"]).write_text(block["body"], encoding="utf-8")
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
    assert ran > fewest
    if os.environ.get(UPDATE):
        path.write_text(anew + text[len(page) :], encoding="utf-8")


def test_numbers_may_move_and_words_may_not() -> None:
    assert same("pa6-07  0.200 wt %\n", "pa6-07   0.21 wt %\n")
    assert not same("0.2 dry\n", "0.2 wet\n")
    assert not same("20 min\n", "40 min\n")
    assert not same("a 1\n", "a 1 2\n")
