"""Every kind of page that the tool writes, made from a small workshop: for the tests in a browser, and for looking at.

    python tests/page_cases.py FOLDER [NAME…]

writes them into FOLDER and takes pictures of each: 1280, 800 and 390 pixels, light and dark, without scripts, on paper.
"""

import base64
import contextlib
import io
import os
import pathlib
import shutil
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
import queue_world
from review_cases import AT, written

from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

if TYPE_CHECKING:
    from browser import Browser

FEW = ("--members", "8")
SAMPLES = sample_folder()
MANY_LAYERS = 240
VERDICTS = {0, 10, 20, 21, 30}
OVEN = """
id = "pa6-09"
material = "PA6"
diameter_mm = 1.75
net_mass_g = 750
[body]
material = "abs"
mass_g = 210
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 50.0
[place.oven]
kind = "dryer"
temperature_C = 80.0
room = "bench"
[[event]]
at = 2026-11-02T08:00:00+01:00
kind = "received"
place = "bench"
sealed = false
[[event]]
at = 2026-11-24T08:00:00+01:00
kind = "moved"
place = "oven"
"""
WEIGHED = ((8, 973.9), (10, 970.4), (12, 968.6), (14, 967.3), (16, 966.4))
SERIES = """
id = "clip-petg-1"
question = "How damp may PETG be for a hose clip that must hold?"
job = "clip.gcode"
spool = "petg-03"
reference = "dried"
prints = 2
smallest_difference_pct = 15
[state.as-found]
[state.dried]
dry = "oven"
hours = 4
[quantity.pull_off_force]
unit = "N"
better = "higher"
specimens = 3
spread_pct = 8
[quantity.bubbles]
scale = [0, 2]
better = "lower"
"""
PRINTS = (("dried", 1), ("as-found", 1), ("dried", 2), ("as-found", 2))  # in the order that the plan draws
FORCES = {("as-found", 1): (37, 38, 39), ("as-found", 2): (36, 38, 37), ("dried", 1): (41, 42, 40)}


def pages(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return pages by name, all written into *folder*."""
    with elsewhere(folder):
        return {
            **reviews(folder),
            **dryings(folder),
            **limits(folder),
            **series(folder),
            **queues(folder),
        }


@contextlib.contextmanager
def elsewhere(folder: pathlib.Path) -> Iterator[None]:
    """Work in *folder*, with a ledger and profiles of its own."""
    before = pathlib.Path.cwd()
    with pytest.MonkeyPatch.context() as patch:
        for name in ("LEDGER", "PROFILES", "CACHE", "SNAPSHOTS"):
            patch.setenv(f"GCODETOOL_{name}", str(folder / name.lower()))
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(before)


def gt(*words: object) -> None:
    """Call the tool; it must succeed."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = outcome([str(word) for word in words])
    assert code in VERDICTS, f"{words}: {said.getvalue()}"


def reviews(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return reviews: a job that gets too wet on the way, one with two tools, one of which nothing is known."""
    long, spool = written(folder, layers=MANY_LAYERS, tools=(0, 1))
    tpu = SAMPLES / "shelf" / "tpu-05.toml"
    calls: dict[str, tuple[object, ...]] = {
        "review": (SAMPLES / "hose-clips-tpu.gcode", "--spool", tpu, "--printer", "bench-1"),
        "review-tools": (long, "--spool", f"0={spool}"),
        "review-unknown": (SAMPLES / "hose-clips-petg.gcode",),
    }
    found = {}
    for name, words in calls.items():
        found[name] = folder / f"{name}.html"
        gt("review", *words, *FEW, "--at", AT, "-o", found[name])
    return found


def dryings(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return the page of what is in an oven."""
    record = folder / "pa6-09.toml"
    weighed = "".join(
        f'[[event]]\nat = 2026-11-24T{hour:02}:05:00+01:00\nkind = "weighed"\ngross_g = {grams}\n'
        for hour, grams in WEIGHED
    )
    record.write_text(OVEN + weighed, encoding="utf-8")
    target = folder / "drying.html"
    gt("drying", "status", record, *FEW, "--at", "2026-11-24T16:10:00+01:00", "-o", target)
    return {"drying": target}


def limits(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return the page of what a workshop's own prints say of a limit."""
    gt("place", "add", "desk", "--kind", "open", "--temperature", 22, "--humidity", 55)
    gt(
        "spool",
        "add",
        "petg-01",
        "--material",
        "PETG",
        "--place",
        "desk",
        "--found-open",
        "--at",
        "2026-10-01",
    )
    for day, strings in ((10, "few"), (12, "few"), (14, "many"), (16, "none")):
        gt("spool", "outcome", "petg-01", "--strings", strings, "--at", f"2026-10-{day}")
    target = folder / "limits.html"
    gt("limits", "show", "PETG", "-o", target, *FEW, "--at", "2026-10-20")
    return {"limits": target}


def series(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return the plan of a series and its report, two prints of two states."""
    shutil.copy(SAMPLES / "hose-clips-petg.gcode", folder / "clip.gcode")
    (folder / "plan.toml").write_text(SERIES, encoding="utf-8")
    begun, cut = ("--at", "2026-11-01T08:00Z"), ("--at", "2026-11-05T08:00Z")
    gt("place", "add", "bench", "--kind", "open", "--temperature", 22, "--humidity", 48, *begun)
    gt(
        "place",
        "add",
        "oven",
        "--kind",
        "dryer",
        "--temperature",
        65,
        "--room",
        "bench",
        "--slots",
        9,
        *begun,
    )
    gt("spool", "add", "petg-03", "--material", "PETG", "--place", "bench", *begun)
    plan, report = folder / "series-plan.html", folder / "series.html"
    gt("series", "plan", "plan.toml", *FEW, *cut, "-o", plan)
    gt("series", "start", "plan.toml", *FEW, *cut)
    names = {"as-found": "petg-03-as-found", "dried": "petg-03-dried"}
    for name in names.values():
        gt("spool", "cut", "petg-03", name, "--mass", 12, *cut)
    dried = ("--hours", 4, "--temperature", 65, "--dryer", "oven", "--to", "bench")
    gt("spool", "dried", names["dried"], *dried, "--at", "2026-11-12T13:00Z")
    for number, (state, _) in enumerate(PRINTS):
        at = ("--at", f"2026-11-12T{13 + number}:10Z")
        words = ("--spool", names[state], "--place", "bench", "--series", "clip-petg-1", "--state", state)
        gt("prepare", "clip.gcode", "-o", "out.gcode", *words, *FEW, *at)
    lines = ["quantity,value,state,print,specimen"]
    lines += [
        f"pull_off_force,{value},{state},{number},{specimen + 1}"
        for (state, number), values in FORCES.items()
        for specimen, value in enumerate(values)
    ]
    (folder / "clips.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    gt("series", "result", "clip-petg-1", "clips.csv", "--at", "2026-11-13T08:00Z")
    gt("series", "report", "clip-petg-1", "-o", report, "--at", "2026-11-14T08:00Z")
    return {"series-plan": plan, "series": report}


def queues(folder: pathlib.Path) -> dict[str, pathlib.Path]:
    """Return the page of an evening of six jobs on two printers."""
    world = folder / "world"
    world.mkdir()
    queue_world.story(world)
    target = folder / "queue.html"
    gt(
        "queue",
        world / "tonight.toml",
        "--members",
        1,
        "--processes",
        1,
        "--at",
        queue_world.AT,
        "--html",
        target,
    )
    return {"queue": target}


# ---------------------------------------------------------------- pictures, to look at


def look(folder: pathlib.Path, names: list[str]) -> None:
    """Make the pages and take every picture of them."""
    from browser import Browser

    made = pages(folder)
    with Browser() as browser:
        for name in names or list(made):
            for width, height in ((1280, 800), (800, 1000), (390, 844)):
                for dark in (False, True):
                    browser.size(width, height)
                    browser.dark(on=dark)
                    browser.open(made[name])
                    shot(browser, folder / f"{name}-{width}{'-dark' if dark else ''}.png")
            browser.dark(on=False)
            browser.scripts(on=False)
            browser.open(made[name])
            (folder / f"{name}-plain.png").write_bytes(browser.picture())
            browser.scripts(on=True)
            browser.dark(on=True)
            browser.size(1280, 800)
            browser.open(made[name])
            (folder / f"{name}.pdf").write_bytes(browser.pdf())


def shot(browser: "Browser", target: pathlib.Path) -> None:
    """Take a picture of a whole page, and say how long it is."""
    height = browser.run("document.documentElement.scrollHeight")
    width = browser.run("innerWidth")
    got = browser.call(
        "Page.captureScreenshot",
        captureBeyondViewport=True,
        clip={"x": 0, "y": 0, "width": width, "height": height, "scale": 1},
    )
    target.write_bytes(base64.b64decode(got["data"]))
    print(f"{target.name}: {height} px")  # noqa: T201


if __name__ == "__main__":
    out = pathlib.Path(sys.argv[1])
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    look(out.resolve(), sys.argv[2:])
