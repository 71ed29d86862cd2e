"""Labels, read back by another library's decoder: what the code holds, in every form, size and sheet."""

import io
import pathlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.app.labels import page_address, place_labels, spool_labels
from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError
from gcodetool.report.labels import SMALLEST_LETTERS_MM, Label, broken, draw, modules

zxingcpp = pytest.importorskip("zxingcpp")
pytest.importorskip("segno")
SHOP = "http://workshop.local:8340"


@pytest.fixture
def shelf(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    for line in (
        "place add bench --kind open --temperature 22 --humidity 48",
        "place add oven --kind dryer --temperature 63 --room bench --max-temperature 90",
        "place add box-2 --kind box --desiccant clay --desiccant-mass 60 --air 9 --temperature 22",
        "spool add pa6-07 --material PA6 --body abs --place bench --colour natural --at 2026-11-02T08:00+00:00",
        "spool add petg-03 --material PETG --place bench --at 2026-11-02T08:00+00:00",
        "spool dried pa6-07 --hours 8 --temperature 75 --at 2026-11-04T12:00+00:00",
    ):
        assert outcome(line.split()) == 0
    return tmp_path


def pictures(data: bytes, form: str) -> list:
    """Return the pages of a file as pictures."""
    if form == "png":
        image = pytest.importorskip("PIL.Image")
        return [image.open(io.BytesIO(data)).convert("RGB")]
    pdf = pytest.importorskip("pypdfium2").PdfDocument(data)
    found = [page.render(scale=5).to_pil() for page in pdf]
    pdf.close()
    return found


def decoded(data: bytes, form: str) -> list[str]:
    """Return what another decoder reads in each page."""
    return [code.text for page in pictures(data, form) for code in zxingcpp.read_barcodes(page)]


@pytest.mark.parametrize("form", ["pdf", "png"])
@pytest.mark.parametrize("size", ["50x30", "30x50", "62x29"])
def test_a_label_reads_back(shelf: pathlib.Path, form: str, size: str) -> None:
    out = shelf / f"label.{form}"
    call = ["spool", "label", "pa6-07", "-o", str(out), "--size", size, "--address", SHOP + "/"]
    assert outcome(call) == 0
    assert decoded(out.read_bytes(), form) == [f"{SHOP}/s/pa6-07"]


def test_a_page_for_each_or_as_many_as_a_sheet_takes(shelf: pathlib.Path) -> None:
    two = ["spool", "label", "pa6-07", "petg-03"]
    assert outcome([*two, "-o", str(shelf / "two.pdf")]) == 0
    assert len(pictures((shelf / "two.pdf").read_bytes(), "pdf")) == 2
    assert outcome([*two, "-o", str(shelf / "sheet.png"), "--sheet", "110x70"]) == 0
    assert sorted(decoded((shelf / "sheet.png").read_bytes(), "png")) == ["pa6-07", "petg-03"]
    assert outcome([*two, "-o", str(shelf / "two.png")]) == 2  # one picture for two labels
    assert outcome([*two, "-o", str(shelf / "two.doc")]) == 2
    assert not (shelf / "two.png").exists()
    pages = draw([Label("a", "a", ())] * 5, "pdf", size_mm=(50, 30), sheet_mm=(101, 61))
    assert [len(zxingcpp.read_barcodes(page)) for page in pictures(pages, "pdf")] == [4, 1]


def test_what_stands_on_it(shelf: pathlib.Path) -> None:
    pa6, petg = spool_labels(["pa6-07", "petg-03"])
    assert (pa6.code, pa6.name) == ("pa6-07", "pa6-07")
    assert pa6.lines[:3] == ("PA6, natural", "dried 2026-11-04", "dry at 80 °C at most")
    assert petg.lines[1] == "not dried yet"
    box, oven = place_labels(["box-2", "oven"], address=SHOP)
    assert (box.code, box.lines) == (f"{SHOP}/p/box-2", ("dry box", "60 g clay"))
    assert "90 °C at most" in oven.lines


def test_a_picture_is_the_same_each_time_and_takes_any_letters() -> None:
    label = Label("x", "<&>$x$^\u202e", ("a" * 200, "$\\frac{1}{2}$", ""))
    drawn = draw([label], "svg", size_mm=(50, 30))
    assert drawn == draw([label], "svg", size_mm=(50, 30))
    assert b"<text" not in drawn  # letters are shapes: they print alike without the font


@pytest.mark.parametrize(
    "address", ["workshop.local", "ftp://x", "javascript:alert(1)", "http://x/?a=1", "http://"]
)
def test_an_address_that_is_none_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="--address"):
        page_address(address, "s", "pa6-07")


def test_what_does_not_fit_is_refused_with_what_would() -> None:
    with pytest.raises(UsageError, match=r"needs \d+ mm"):
        draw([Label("http://x/" + "y" * 120, "x", ())], "png", size_mm=(12, 12))
    with pytest.raises(UsageError, match="from 10"):
        draw([Label("x", "x", ())], "png", size_mm=(5, 5))
    with pytest.raises(UsageError, match="no label"):
        draw([Label("x", "x", ())], "pdf", size_mm=(50, 30), sheet_mm=(40, 40))


@settings(max_examples=25)
@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=60))
def test_any_name_reads_back_from_its_modules(name: str) -> None:
    from PIL import Image

    text = page_address(SHOP, "p", name)
    code = modules(text)
    image = Image.new("L", ((len(code) + 8) * 3,) * 2, 255)
    for row, bits in enumerate(code):
        for column, dark in enumerate(bits):
            if dark:
                image.paste(0, ((column + 4) * 3, (row + 4) * 3, (column + 5) * 3, (row + 5) * 3))
    assert [found.text for found in zxingcpp.read_barcodes(image)] == [text]


@pytest.mark.parametrize(
    "text",
    [
        "petg-03",
        "pa6-07-with-a-long-name-of-it",
        "PA6_66, natural with a very long colour",
        "W" * 80,
        "a b  c-",
        "-",
        "",
    ],
)
def test_no_line_of_a_label_is_wider_than_its_room(text: str) -> None:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(weight="bold")
    lines = broken(text, font, 24.0)
    assert "".join("".join(lines).split()) == "".join(text.split())
    for line in filter(None, lines):
        assert TextPath((0, 0), line, size=SMALLEST_LETTERS_MM, prop=font).get_extents().width <= 24.0
