"""The pages as somebody at the machine meets them: Debian's Chromium on a phone and on a desk, with and without script."""

from collections.abc import Iterator

import pytest

pytest.importorskip("uvicorn")
pytest.importorskip("starlette")
pytest.importorskip("itsdangerous")

import browser
from browser import AXE, Browser
from serving import served

from gcodetool.app.labels import page_address
from gcodetool.app.noting import history
from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

pytestmark = pytest.mark.skipif(
    browser.CHROMIUM is None, reason="no chromium here (apt-get install chromium): pages were not opened"
)
SIZES = [(390, 844), (1280, 800)]
SHOP = (
    "place add bench --kind open --temperature 22 --humidity 55",
    "place add box-2 --kind box --air 9 --desiccant clay --desiccant-mass 60 --temperature 22 --room bench",
    "place add oven --kind dryer --temperature 63 --room bench",
    "place add bench-1 --kind printer --printer bench-1 --room bench",
    "spool add petg-03 --material PETG --body-mass 230 --place bench --at 2026-11-02T08:00+00:00",
    "spool add pa6-07 --material PA6 --net-mass 750 --place bench --at 2026-11-02T08:00+00:00 --colour natural",
    "spool add tpu-05 --material TPU --place oven --at 2026-11-02T08:00+00:00",
)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("site")
    jobs = folder / "jobs"
    jobs.mkdir()
    name = "hose-clips-petg.gcode"
    (jobs / name).write_bytes((sample_folder() / name).read_bytes())
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("GCODETOOL_LEDGER", str(folder / "ledger.sqlite"))
        patch.setenv("GCODETOOL_SERVE_SECRET", str(folder / "secret"))
        for line in SHOP:
            assert outcome(line.split()) == 0
        with served(members=1, jobs=jobs, printer="bench-1") as port:
            yield f"http://127.0.0.1:{port}"


def tap(chromium: Browser, selector: str) -> None:
    """Tap on something, and wait for the page that comes."""
    chromium.events.clear()
    chromium.point(selector, 0.5, 0.5, click=True)
    chromium.loaded()


@pytest.mark.parametrize("scripts", [True, False], ids=["script", "plain"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_move_is_two_taps_from_the_label(
    chromium: Browser, site: str, width: int, height: int, scripts: bool
) -> None:
    before = len(history("spool", "petg-03"))
    chromium.size(width, height)
    chromium.scripts(on=scripts)
    chromium.visit(page_address(site, "s", "petg-03"))  # the first tap: what a camera finds
    there = chromium.run("[...document.querySelectorAll('.targets button')].map((b) => b.value)")
    target = there[0]
    top = chromium.run(
        f"document.querySelector('.targets button[value={target}]').getBoundingClientRect().bottom"
    )
    assert top < height  # no scrolling first
    tap(chromium, f".targets button[value={target}]")
    assert f"To {target}." in chromium.run("document.querySelector('.banner').innerText")
    assert [each.kind for each in history("spool", "petg-03")[before:]] == ["moved"]
    tap(chromium, ".banner button")
    assert [each.kind for each in history("spool", "petg-03")[before:]] == ["moved", "undone"]
    assert chromium.complaints() == []


@pytest.mark.parametrize("scripts", [True, False], ids=["script", "plain"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_weigh_in_is_three_fields(
    chromium: Browser, site: str, width: int, height: int, scripts: bool
) -> None:
    chromium.size(width, height)
    chromium.scripts(on=scripts)
    chromium.visit(f"{site}/s/petg-03")
    form = "form:has(#grams)"
    assert (
        chromium.run(f"document.querySelectorAll('{form} :is(input:not([type=hidden]), select)').length") == 3
    )
    chromium.run("document.getElementById('grams').focus()")
    chromium.call("Input.insertText", text=f"12{width % 100},5")
    tap(chromium, f"{form} button")
    assert history("spool", "petg-03")[-1].facts["gross_g"] == 1200.5 + width % 100
    assert chromium.complaints() == []


PAGES = [
    "/",
    "/due",
    "/places",
    "/jobs",
    "/s/petg-03",
    "/s/tpu-05",
    "/s/none",
    "/p/bench",
    "/p/box-2",
    "/p/oven",
    "/pair",
]


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_no_page_complains_or_asks_elsewhere_or_is_wider_than_the_screen(
    chromium: Browser, site: str, path: str, width: int, height: int
) -> None:
    chromium.size(width, height)
    chromium.scripts(on=True)
    chromium.visit(site + path)
    said = [each for each in chromium.complaints() if "404" not in each]
    assert said == []
    assert all(asked.startswith(site) for asked in chromium.requests())
    assert chromium.run("document.documentElement.scrollWidth") <= width
    small = chromium.run(
        "[...document.querySelectorAll('button, .bar a, summary, select, input:not([type=hidden]):not([type=radio])')]"
        ".filter((e) => e.offsetParent && e.getBoundingClientRect().height < 40).map((e) => e.outerHTML)"
    )
    assert small == []


def test_a_long_word_on_a_spool_leaves_its_name_room_on_a_phone(chromium: Browser, site: str) -> None:
    chromium.size(390, 844)
    chromium.scripts(on=True)
    for path in ("/", "/p/oven"):
        chromium.visit(site + path)
        rows = chromium.run(
            "[...document.querySelectorAll('.spool')].map((e) => "
            "['id', 'stuff'].map((c) => e.querySelector('.' + c).getClientRects()[0].height))"
        )
        assert rows
        assert all(height < 30 for row in rows for height in row), rows


@pytest.mark.skipif(not AXE.exists(), reason=f"no axe-core at {AXE}: pages were not looked through by it")
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_serious(chromium: Browser, site: str, path: str, dark: bool) -> None:
    chromium.size(390, 844)
    chromium.scripts(on=True)
    chromium.dark(on=dark)
    chromium.visit(site + path)
    found = chromium.serious()
    chromium.dark(on=False)
    assert found == []


def test_the_review_of_a_job_opens_from_the_list(chromium: Browser, site: str) -> None:
    chromium.size(1280, 800)
    chromium.scripts(on=True)
    chromium.visit(site + "/jobs")
    tap(chromium, "a.job")
    assert chromium.run("document.querySelector('h1').innerText")
    assert chromium.complaints() == []
    assert chromium.run("document.querySelectorAll('svg').length") > 2


def test_the_script_finds_a_spool_and_needs_only_one_tap(chromium: Browser, site: str) -> None:
    chromium.size(390, 844)
    chromium.scripts(on=True)
    chromium.visit(site + "/")
    chromium.run("document.getElementById('find').focus()")
    chromium.call("Input.insertText", text="pa6 natural")
    shown = "[...document.querySelectorAll('#list > a')].filter((e) => !e.hidden).map((e) => e.getAttribute('href'))"
    assert chromium.run(shown) == ["/s/pa6-07"]
    chromium.scripts(on=False)
    chromium.visit(site + "/")
    assert chromium.run("document.querySelector('.find').hidden") is True
    chromium.scripts(on=True)
