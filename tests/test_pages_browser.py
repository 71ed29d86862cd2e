"""Every kind of page that is written, opened in Debian's Chromium: three widths, light and dark, without scripts, on paper.

One browser and one workshop (`page_cases`) for all of them; what only the review can do is in `test_review_browser`.
"""

import itertools
import pathlib
import re
from collections.abc import Iterator

import browser
import page_cases
import pytest
from browser import AXE, Browser
from review_cases import compiled_only

pytest.importorskip("scipy")  # of the series' report
pytestmark = [
    pytest.mark.skipif(
        browser.CHROMIUM is None, reason="no chromium here (apt-get install chromium): pages were not opened"
    ),
    compiled_only,
]
NAMES = (*("review", "review-tools", "review-unknown", "drying", "limits", "series-plan", "series", "queue"),)
PHONE, TABLET, DESK = (390, 844), (800, 1000), (1280, 800)
SCREENS = 6  # of a phone, before anything is unfolded


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pathlib.Path]:
    found = page_cases.pages(tmp_path_factory.mktemp("pages"))
    assert set(found) == set(NAMES)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_a_page_fits_every_screen_and_complains_of_nothing(
    chromium: Browser, made: dict[str, pathlib.Path], name: str
) -> None:
    for width, height in (PHONE, TABLET, DESK):
        chromium.size(width, height)
        chromium.open(made[name])
        assert chromium.complaints() == []
        assert chromium.requests() == [made[name].as_uri()]
        assert chromium.run("document.documentElement.scrollWidth") <= width
        if (width, height) == PHONE:
            assert chromium.run("document.documentElement.scrollHeight") <= SCREENS * height
    assert len(made[name].read_bytes()) < 700_000


@pytest.mark.parametrize("name", NAMES)
def test_no_date_and_no_amount_is_broken_where_a_line_ends(
    chromium: Browser, made: dict[str, pathlib.Path], name: str
) -> None:
    chromium.size(*PHONE)
    chromium.open(made[name])
    found, broken = chromium.run(
        r"(() => { const found = [], broken = []; "
        r"const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT); "
        r"while (walk.nextNode()) { const node = walk.currentNode; "
        r"if (node.parentElement.closest('svg, pre, code, script, style, details:not([open])')) continue; "
        r"for (const hit of node.data.matchAll(/\d{4}-\d\d-\d\d|\d\swt\s%|\d\s°C/g)) { "
        r"const range = document.createRange(); range.setStart(node, hit.index); "
        r"range.setEnd(node, hit.index + hit[0].length); found.push(hit[0]); "
        r"if (new Set([...range.getClientRects()].map((r) => Math.round(r.top))).size > 1) broken.push(hit[0]); } } "
        r"return [found, broken]; })()"
    )
    assert found or name == "review-unknown"  # of which nothing is known
    assert broken == []


@pytest.mark.parametrize("name", NAMES)
def test_a_box_that_scrolls_is_reached_by_keyboard_and_has_a_name(
    chromium: Browser, made: dict[str, pathlib.Path], name: str
) -> None:
    chromium.size(*PHONE)
    chromium.open(made[name])
    chromium.run("for (const each of document.querySelectorAll('details')) each.open = true")
    nameless = chromium.run(
        "[...document.querySelectorAll('body *')]"
        ".filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible')"
        ".filter((e) => e.tabIndex !== 0 || !e.getAttribute('role') || !e.getAttribute('aria-label'))"
        ".map((e) => e.outerHTML.slice(0, 200))"
    )
    assert nameless == []


@pytest.mark.skipif(not AXE.exists(), reason=f"no axe-core at {AXE}: pages were not looked through by it")
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_axe_finds_nothing_serious(
    chromium: Browser, made: dict[str, pathlib.Path], name: str, dark: bool
) -> None:
    chromium.size(*PHONE)
    chromium.dark(on=dark)
    chromium.open(made[name])
    found = chromium.serious()
    paper = chromium.run("getComputedStyle(document.documentElement).backgroundColor")
    chromium.dark(on=False)
    assert found == []
    assert (sum(int(part) for part in re.findall(r"\d+", paper)) < 200) is dark


@pytest.mark.parametrize("name", NAMES)
def test_paper_is_light_whatever_the_screen_is_and_shows_what_is_folded(
    chromium: Browser, made: dict[str, pathlib.Path], name: str
) -> None:
    chromium.size(*DESK)
    chromium.dark(on=True)
    chromium.open(made[name])
    chromium.call(
        "Emulation.setEmulatedMedia",
        media="print",
        features=[{"name": "prefers-color-scheme", "value": "dark"}],
    )
    ink = chromium.run("getComputedStyle(document.querySelector('h1')).color")
    folded = chromium.run(
        "[...document.querySelectorAll('details.fold > :not(summary)')].filter((e) => !e.checkVisibility()).length"
    )
    cut = chromium.run("[...document.querySelectorAll('.scroll')].map((e) => getComputedStyle(e).overflowX)")
    sized = chromium.run(
        "[...document.styleSheets].some((s) => [...s.cssRules].some((r) => /@page[^}]*size/.test(r.cssText)))"
    )
    chromium.call("Emulation.setEmulatedMedia", media="", features=[])
    assert sum(int(part) for part in re.findall(r"\d+", ink)) < 300, ink  # dark words on light paper
    assert folded == 0
    assert set(cut) <= {"visible"}
    assert not sized  # whoever prints chooses the paper


def test_the_verdict_of_every_job_is_on_a_phones_screen(
    chromium: Browser, made: dict[str, pathlib.Path]
) -> None:
    chromium.size(*PHONE)
    chromium.open(made["queue"])
    boxes = chromium.run(
        "[...document.querySelectorAll('.jobs td[data-label=verdict]')].map((e) => "
        "{ const r = e.getBoundingClientRect(); return [e.innerText, r.left, r.right, r.height]; })"
    )
    assert len(boxes) == 6
    for said, left, right, height in boxes:
        assert re.search(r"adjust|dry-first|clear|runs-out", said)
        assert 0 <= left < right <= 390
        assert height > 10


def test_bars_of_the_queue_never_hide_each_other(chromium: Browser, made: dict[str, pathlib.Path]) -> None:
    chromium.size(*DESK)
    chromium.open(made["queue"])
    boxes = chromium.run(
        "[...document.querySelectorAll('.lanes .bar-box')].map((e) => ['x', 'y', 'width'].map((k) => e[k].baseVal.value))"
    )
    lanes: dict[float, list[tuple[float, float]]] = {}
    for x, y, width in boxes:
        lanes.setdefault(y, []).append((x, x + width))
    assert len(boxes) >= 8
    for bars in lanes.values():
        bars.sort()
        assert all(end <= begin + 0.11 for (_, end), (begin, _) in itertools.pairwise(bars))
    ends = chromium.run("[...document.querySelectorAll('.lanes .bar-ends')].map((e) => e.textContent)")
    assert all(re.search(r"\d\d:\d\d$", each) for each in ends)


def test_the_command_that_helps_is_copied_with_one_press_and_stands_without_scripts(
    chromium: Browser, made: dict[str, pathlib.Path]
) -> None:
    chromium.size(*PHONE)
    chromium.open(made["review"])
    command = chromium.run("document.querySelector('.help code').textContent")
    assert command.startswith("gcodetool drying plan ")
    assert "--for" in command
    chromium.run("document.querySelector('.copy').scrollIntoView()")
    chromium.point(".copy", 0.5, 0.5, click=True)
    chromium.run("new Promise((done) => setTimeout(done, 0))")
    assert chromium.run("getSelection().toString()") == command
    assert chromium.run("document.querySelector('.copy').textContent") in ("Copied", "Marked: copy it now")
    assert chromium.complaints() == []
    chromium.scripts(on=False)
    chromium.open(made["review"])
    root = chromium.call("DOM.getDocument", depth=-1)["root"]["nodeId"]
    code, button = (
        chromium.call("DOM.querySelector", nodeId=root, selector=each)["nodeId"]
        for each in (".help code", ".copy")
    )
    assert chromium.call("DOM.getBoxModel", nodeId=code)["model"]["height"] > 10
    with pytest.raises(RuntimeError):  # not shown, so it has no box
        chromium.call("DOM.getBoxModel", nodeId=button)
    chromium.scripts(on=True)


def test_the_height_where_it_gets_too_wet_is_drawn_with_its_words(
    chromium: Browser, made: dict[str, pathlib.Path]
) -> None:
    chromium.size(*DESK)
    chromium.open(made["review"])
    words = chromium.run("document.querySelector('#front text').textContent")
    layer = int(re.search(r"too wet from \d+\.\d\d mm, layer (\d+)", words)[1])  # type: ignore[index]
    y = chromium.run("Number(document.querySelector('.crossing').getAttribute('d').match(/M0 ([\\d.]+)/)[1])")
    at = chromium.run(
        "(() => { const d = JSON.parse(document.getElementById('data').textContent); "
        f"const row = d.layers.filter((r) => r[0] === {layer} - 1).pop(); "
        "return d.front.edge + (d.front.top - row[3]) * d.front.scale; })()"
    )
    assert y == pytest.approx(at, abs=0.06)
    assert words in chromium.run("document.querySelector('#front').getAttribute('aria-label')")
