"""Pages as a person meets them: Debian's Chromium opens, hovers, chooses, prints, without scripts and on a phone."""

import pathlib
import re
from collections.abc import Iterator

import browser
import pytest
from browser import Browser
from review_cases import AT, EVIL, compiled_only, written

from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

pytestmark = [
    pytest.mark.skipif(
        browser.CHROMIUM is None, reason="no chromium here (apt-get install chromium): pages were not opened"
    ),
    compiled_only,
]
SAMPLES = sample_folder()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pathlib.Path]:
    """Return pages by name: a sample, two tools with one record, and one that means harm."""
    folder = tmp_path_factory.mktemp("pages")
    ring, spool = written(folder, layers=30, tools=(0, 1))
    evil, _ = written(folder, name="evil <img src=x>.gcode", words=EVIL, place=EVIL)
    calls = {
        "sample": [
            SAMPLES / "hose-clips-tpu.gcode",
            "--spool",
            SAMPLES / "shelf" / "tpu-05.toml",
            "--printer",
            "bench-1",
        ],
        "two": [ring, "--spool", f"0={spool}"],
        "evil": [evil, "--spool", spool],
    }
    found = {}
    for name, words in calls.items():
        found[name] = folder / f"{name}.html"
        assert outcome(["review", *map(str, words), "--at", AT, "-o", str(found[name])]) == 0
    return found


def opened(
    chromium: Browser, page: pathlib.Path, *, width: int = 1280, height: int = 800, scripts: bool = True
) -> None:
    chromium.size(width, height)
    chromium.scripts(on=scripts)
    chromium.open(page)


def text(chromium: Browser, selector: str) -> str:
    return str(chromium.run(f"document.querySelector({selector!r}).innerText"))


@pytest.mark.parametrize("name", ["sample", "two", "evil"])
def test_it_opens_without_a_complaint_and_asks_for_nothing(
    chromium: Browser, pages: dict[str, pathlib.Path], name: str
) -> None:
    opened(chromium, pages[name])
    assert chromium.requests() == [pages[name].as_uri()]
    assert chromium.complaints() == []
    title = chromium.run("document.title")
    assert title != "hit"
    assert chromium.run("document.scripts.length") == 2
    assert chromium.run("document.images.length") == 0
    assert chromium.run("getComputedStyle(document.querySelector('h1')).display") != "none"


def test_the_first_screen_holds_verdict_reason_and_first_thing_to_do(
    chromium: Browser, pages: dict[str, pathlib.Path]
) -> None:
    opened(chromium, pages["sample"])
    for selector in ("h1", ".why", ".todo li", ".times"):
        bottom = chromium.run(f"document.querySelector({selector!r}).getBoundingClientRect().bottom")
        assert bottom < 800, selector
    opened(chromium, pages["sample"], width=390, height=844)
    for selector in ("h1", ".why", ".todo li"):
        assert chromium.run(f"document.querySelector({selector!r}).getBoundingClientRect().bottom") < 844, (
            selector
        )


def test_hovering_tells_layer_height_time_and_value(
    chromium: Browser, pages: dict[str, pathlib.Path]
) -> None:
    opened(chromium, pages["sample"])
    chromium.point(".chart .wide svg", 0.6, 0.5)
    said = text(chromium, ".tip")
    assert re.search(r"layer \d+, \d+\.\d\d mm", said)
    assert re.search(r"after \d+ min \d+ s", said)
    assert re.search(r"0\.\d{3} wt %, (good|marginal|too wet)", said)
    assert re.search(r"0\.\d{3} to 0\.\d{3}", said)
    values = chromium.run(
        "(() => { const d = JSON.parse(document.getElementById('data').textContent); "
        "const n = Number(document.querySelector('.tip').innerText.match(/layer (\\d+)/)[1]); "
        "return d.layers.find((row) => row[0] === n); })()"
    )
    assert f"{values[3]:.2f} mm" in said
    assert f"{values[5]:.3f} wt %" in said
    # the dot stands on the curve's own place for that value
    dot = chromium.run("Number(document.querySelector('.wide .dot').getAttribute('cy'))")
    frame = chromium.run("JSON.parse(document.getElementById('data').textContent).charts[0].w")
    share = (values[5] - frame["low"]) / (frame["high"] - frame["low"])
    assert dot == pytest.approx(frame["bottom"] - share * (frame["bottom"] - frame["top"]), abs=0.01)
    chromium.point("h1", 0.5, 0.5)
    assert chromium.run("document.querySelector('.tip').hidden") is True


def chosen(chromium: Browser) -> int:
    found = re.match(r"layer (\d+)", text(chromium, "#readout"))
    return int(found[1]) if found else 0


def test_one_layer_is_chosen_in_chart_part_and_slider_alike(
    chromium: Browser, pages: dict[str, pathlib.Path]
) -> None:
    opened(chromium, pages["sample"])
    assert text(chromium, "#readout").startswith("The whole part")
    chromium.point(".chart .wide svg", 0.5, 0.5, click=True)
    layer = chosen(chromium)
    assert layer > 1
    shown = "document.querySelector({!r}).getAttribute('visibility')"
    assert chromium.run(shown.format("#level")) == "visible"
    assert chromium.run(shown.format(".wide .chosen")) == "visible"
    path = chromium.run("document.querySelector('#strand').getAttribute('d')")
    drawn = chromium.run(
        f"[...document.querySelectorAll('#above path[data-n=\"{layer}\"]')].map((p) => p.getAttribute('d')).join('')"
    )
    assert path == drawn != ""
    # keyboard: the slider, then the chart itself
    chromium.run("document.getElementById('layer').focus()")
    chromium.press("ArrowRight")
    assert chosen(chromium) == layer + 1
    assert "wt %" in chromium.run("document.getElementById('layer').getAttribute('aria-valuetext')")
    chromium.run("document.querySelector('.chart').focus()")
    chromium.press("ArrowLeft")
    assert chosen(chromium) == layer
    # the part from the front: near its top lies a late layer
    chromium.point("#front", 0.3, 0.3, click=True)
    assert chosen(chromium) > 20
    before = chosen(chromium)
    chromium.point("#down", 0.5, 0.5, click=True)
    assert chosen(chromium) == before - 1
    chromium.point("#all", 0.5, 0.5, click=True)
    assert chromium.run(shown.format("#level")) == "hidden"
    assert chromium.complaints() == []


def test_a_tool_without_a_record_is_said_to_be_unknown(
    chromium: Browser, pages: dict[str, pathlib.Path]
) -> None:
    opened(chromium, pages["two"])
    said = set()
    chromium.run("document.getElementById('layer').focus()")
    for _ in range(2):
        chromium.press("ArrowLeft")
        said.add("content not known" in text(chromium, "#readout"))
    assert said == {True, False}


def test_every_control_is_reached_by_tab_and_has_a_name(
    chromium: Browser, pages: dict[str, pathlib.Path]
) -> None:
    opened(chromium, pages["sample"])
    tree = chromium.call("Accessibility.getFullAXTree")["nodes"]
    named = [
        (node["role"]["value"], node.get("name", {}).get("value", ""))
        for node in tree
        if not node.get("ignored")
        and node.get("role", {}).get("value") in ("slider", "button", "image", "img", "link")
    ]
    assert {role for role, _ in named} >= {"slider", "button"}
    assert all(name for _, name in named), named
    reached = set()
    for _ in range(12):
        chromium.press("Tab")
        reached.add(chromium.run("document.activeElement.id || document.activeElement.className"))
    assert {"layer", "down", "up", "all", "chart"} <= reached


@pytest.mark.parametrize("name", ["sample", "two", "evil"])
def test_it_prints_on_four_pages_at_most(
    chromium: Browser, pages: dict[str, pathlib.Path], name: str
) -> None:
    opened(chromium, pages[name])
    count = len(re.findall(rb"/Type\s*/Page\b(?!s)", chromium.pdf()))
    assert 1 <= count <= 4


@pytest.mark.parametrize("width", [390, 700, 1280])
def test_nothing_hangs_over_the_edge(chromium: Browser, pages: dict[str, pathlib.Path], width: int) -> None:
    for page in pages.values():
        opened(chromium, page, width=width)
        assert chromium.run("document.documentElement.scrollWidth") <= width
    shown = chromium.run(
        "['.wide', '.narrow'].map((s) => getComputedStyle(document.querySelector('.chart ' + s)).display)"
    )
    assert shown == (["none", "block"] if width < 620 else ["block", "none"])


def test_without_scripts_the_pictures_stand(chromium: Browser, pages: dict[str, pathlib.Path]) -> None:
    opened(chromium, pages["sample"], scripts=False)
    try:
        document = chromium.call("DOM.getDocument", depth=-1)["root"]["nodeId"]
        for selector in (".chart .wide svg", "#front", "#above", ".past .wide svg", ".cut svg"):
            node = chromium.call("DOM.querySelector", nodeId=document, selector=selector)["nodeId"]
            model = chromium.call("DOM.getBoxModel", nodeId=node)["model"]
            assert model["width"] > 100, selector
            assert model["height"] > 30, selector
        picker = chromium.call("DOM.querySelector", nodeId=document, selector=".picker")["nodeId"]
        with pytest.raises(RuntimeError):  # not shown, so it has no box
            chromium.call("DOM.getBoxModel", nodeId=picker)
        assert len(chromium.picture()) > 20_000
    finally:
        chromium.scripts(on=True)
