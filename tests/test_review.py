"""Stories: `review` writes one page that holds what it should and nothing that was smuggled in."""

import html.parser
import json
import os
import pathlib
import re
import subprocess
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from review_cases import AT, EVIL, compiled_only, job_text, written

from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

SAMPLES = sample_folder()
TIMES = ["--at", AT]


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))


def reviewed(
    capsys: pytest.CaptureFixture[str], *words: str | os.PathLike[str], out: str = "page.html"
) -> str:
    """Return the page of a call that must succeed."""
    code = outcome(["review", *map(str, words), *TIMES, "-o", out])
    said = capsys.readouterr()
    assert code == 0, said.err
    assert f"wrote {out}" in said.out
    return pathlib.Path(out).read_text(encoding="utf-8")


class Page(html.parser.HTMLParser):
    """Tags, attributes, text and data of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text = ""
        self.data = ""
        self.inside: list[str] = []
        self.feed(re.sub('<span class="nb">(.*?)</span>', r"\1", text).replace("\u00a0", " "))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self.inside.append("data" if ("type", "application/json") in attrs else tag)

    def handle_endtag(self, tag: str) -> None:
        self.inside.append("")

    def handle_data(self, data: str) -> None:
        where = self.inside[-1] if self.inside else ""
        if where == "data":
            self.data += data
        elif where not in ("script", "style"):
            self.text += " " + data


ALLOWED_LINKS = re.compile(r"#[\w-]+")


def holds(text: str) -> Page:
    """Assert what every page must be, and return it taken apart."""
    page = Page(text)
    assert page.tags.count("script") == 2
    assert page.tags.count("style") == 1
    assert page.tags.count("h1") == 1
    assert not {
        "img",
        "iframe",
        "object",
        "embed",
        "link",
        "base",
        "form",
        "audio",
        "video",
        "image",
        "foreignobject",
    } & set(page.tags)
    for tag, name, value in page.attributes:
        assert not name.startswith("on"), (tag, name, value)
        assert name not in ("style", "src", "srcset", "action", "srcdoc")
        if name in ("href", "xlink:href"):
            assert ALLOWED_LINKS.fullmatch(value), (tag, name, value)
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    known = set(ids)
    for _, name, value in page.attributes:
        if name in ("aria-labelledby", "for"):
            assert set(value.split()) <= known
        if "url(" in value:
            assert re.fullmatch(r"url\(#([\w-]+)\)", value), value
    pictures = [dict_of(page, place) for place in starts(page, "svg")]
    for attributes in pictures:  # each picture has words, or is said to be decoration
        assert {"aria-label", "aria-labelledby"} & set(attributes) or attributes.get("aria-hidden") == "true"
    assert not [sign for sign in text if ord(sign) < 32 and sign not in "\n\t"]
    assert not set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f")
    json.loads(page.data)
    return page


def starts(page: Page, tag: str) -> list[int]:
    """Return places in ``attributes`` where elements of *tag* begin (those that have any)."""
    return [
        place
        for place, (each, _, _) in enumerate(page.attributes)
        if each == tag and (place == 0 or page.attributes[place - 1][0] != tag)
    ]


def dict_of(page: Page, place: int) -> dict[str, str]:
    tag = page.attributes[place][0]
    found = {}
    for each, name, value in page.attributes[place:]:
        if each != tag:
            break
        found[name] = value
    return found


@compiled_only
def test_the_page_of_a_sample_answers_first(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = SAMPLES / "hose-clips-tpu.gcode", SAMPLES / "shelf" / "tpu-05.toml"
    page = holds(reviewed(capsys, job, "--spool", spool, "--printer", "bench-1"))
    words = " ".join(page.text.split()).partition("Before you start")[2]
    order = [
        "Do not start yet",
        "runs-out",
        "Dry the spool first",
        "in open air",
        "extruding",
        "safe in this air",
        "margin -",
        "Watch out",
        "How wet the strand arrives",
        "Where in the part it goes",
        "What spool tpu-05 has been through",
        "would write",
        "; gcodetool:begin header",
        "Where the time goes",
        "Limits it was timed with printer bench-1",
        "Measured",
        "Read stated by",
        "Estimated",
        "Heat, hot nozzles",
    ]
    places = [words.find(each) for each in order]
    assert places == sorted(places), list(zip(order, places, strict=True))
    assert places[0] >= 0
    assert len(page.text) < 60_000


def test_the_data_are_the_findings(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    page = holds(reviewed(capsys, job, "--spool", spool))
    outcome(["check", str(job), "--spool", str(spool), *TIMES, "--json"])
    found = json.loads(capsys.readouterr().out)
    data = json.loads(page.data)
    layers = found["tools"][0]["forecast"]["layers"]
    assert [row[0] for row in data["layers"]] == [layer["layer"] for layer in layers]
    for row, layer in zip(data["layers"], layers, strict=True):
        assert row[2] == pytest.approx(layer["start_s"], rel=1e-5)
        assert row[3] == pytest.approx(layer["z_mm"])
        assert row[5] == pytest.approx(layer["wt_pct"]["p50"], rel=1e-3)
    assert data["limits"]["0"][1] == pytest.approx(
        found["tools"][0]["forecast"]["limit_marginal_wt_pct"], rel=1e-3
    )


def test_hostile_words_stay_words(capsys: pytest.CaptureFixture[str]) -> None:
    name = "ring <img src=x onerror=alert(1)> '\"&.gcode"
    job, spool = written(pathlib.Path(), name=name, words=EVIL, place=EVIL)
    text = reviewed(capsys, job, "--spool", spool, "--place", EVIL)
    page = holds(text)
    assert "document.title='hit'" not in [value for _, _, value in page.attributes]
    assert "<script>document" in page.text  # as words, escaped
    assert "{{7*7}}" in page.text
    assert "49" not in re.findall(r"\{\{.*?\}\}|\b49\b", page.text)


@compiled_only
def test_huge_words_are_cut(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path(), words="W" * 300_000, layers=3)
    text = reviewed(capsys, job, "--spool", spool)
    holds(text)
    assert len(text) < 400_000
    assert "W" * 1000 not in text


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), min_size=1, max_size=80)
)
def test_any_words_stay_words(capsys: pytest.CaptureFixture[str], words: str) -> None:
    job = pathlib.Path("any.gcode")
    job.write_text(job_text(layers=2, words=words.replace("\r", " ")), encoding="utf-8")
    holds(reviewed(capsys, job))


def test_without_a_spool_it_says_what_is_not_known(capsys: pytest.CaptureFixture[str]) -> None:
    job, _ = written(pathlib.Path())
    page = holds(reviewed(capsys, job))
    assert "Not known." in page.text
    assert "Without a record of the spool the part has no colours" in page.text
    assert {row[5] for row in json.loads(page.data)["layers"]} == {None}


@compiled_only
def test_several_tools_each_have_their_section(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path(), tools=(0, 1))
    page = holds(reviewed(capsys, job, "--spool", f"0={spool}"))
    words = " ".join(page.text.split())
    assert "How wet the strand arrives, T0" in words
    assert "How wet the strand arrives, T1" in words
    assert {row[1] for row in json.loads(page.data)["layers"]} == {0, 1}
    assert "not known, or the reel is empty" in words  # the key of the part's second colour


def test_a_file_without_layer_marks_has_layers_by_height(capsys: pytest.CaptureFixture[str]) -> None:
    lines = ["G28", "M109 S215", "G90", "M83"]
    for layer in range(1, 4):
        lines += [f"G1 Z{0.3 * layer:.1f}", "G1 X10 Y10 F6000", "G1 X60 Y10 E3 F900", "G1 X60 Y50 E3"]
    pathlib.Path("plain.gcode").write_text("\n".join(lines) + "\n")
    page = holds(reviewed(capsys, "plain.gcode"))
    assert [row[0] for row in json.loads(page.data)["layers"]] == [1, 2, 3]
    assert "50 × 40 mm" in page.text


def test_a_file_that_only_extrudes_in_place_has_no_pictures(capsys: pytest.CaptureFixture[str]) -> None:
    pathlib.Path("prime.gcode").write_text("G28\nM109 S215\nG90\nM83\nG1 E20 F300\nG1 E20 F300\n")
    page = holds(reviewed(capsys, "prime.gcode"))
    assert "No move of this file lays down filament" in page.text


@compiled_only
def test_an_empty_reel_has_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    text = spool.read_text() + '[[event]]\nat = 2026-11-24T09:00:00+01:00\nkind = "fed"\nlength_mm = 400000\n'
    spool.write_text(text)
    page = holds(reviewed(capsys, job, "--spool", spool))
    assert "this reel is empty" in page.text


@compiled_only
def test_one_member_has_no_band(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    page = holds(reviewed(capsys, job, "--spool", spool, "--members", "1"))
    assert "Band:" not in page.text
    assert "in 100" not in page.text


def test_a_file_that_must_not_be_touched_still_has_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    text = job_text(layers=3).replace("G28\n", "G28\nM3 S1000\nG1 X5 F600\n")
    pathlib.Path("spindle.gcode").write_text(text)
    page = holds(reviewed(capsys, "spindle.gcode"))
    assert "Nothing would be written" in page.text


@compiled_only
def test_the_same_call_writes_the_same_page(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    assert reviewed(capsys, job, "--spool", spool) == reviewed(capsys, job, "--spool", spool)


@compiled_only
def test_a_prepared_file_is_drawn_as_the_one_it_was(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    first = Page(reviewed(capsys, job, "--spool", spool))
    assert (
        outcome(["prepare", str(job), "--spool", str(spool), *TIMES, "--in-place", "--block", "always"]) == 0
    )
    capsys.readouterr()
    again = Page(reviewed(capsys, job, "--spool", spool))
    assert json.loads(again.data)["layers"] == json.loads(first.data)["layers"]
    paths = [
        [value for tag, name, value in page.attributes if tag == "path" and name == "d"]
        for page in (first, again)
    ]
    assert paths[0] == paths[1]


@compiled_only
def test_edits_stand_with_the_lines_of_the_file(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    text = reviewed(capsys, job, "--spool", spool)
    lines = job.read_text().splitlines()
    shown = re.findall(r'<span class="line"><i>(\d+)</i><i> </i><bdi>(.*?)</bdi>', text)
    assert shown
    import html as entities

    for number, words in shown:
        assert lines[int(number) - 1] == entities.unescape(words)
    assert "<i></i><i>+</i><bdi>; gcodetool:begin header</bdi>" in text


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["ring.gcode"], 2, "-o"),
        (["missing.gcode", "-o", "a.html"], 1, "missing.gcode"),
        (["ring.gcode", "-o", "ring.gcode"], 2, "is not a page; name a file that ends in .html"),
        (["ring.gcode", "--spool", "petg-03.toml", "-o", "petg-03.toml"], 2, "is not a page"),
        (["ring.gcode", "-o", "no-folder/a.html"], 1, "there is no such folder"),
        (["ring.gcode", "--spool", "none.toml", "-o", "a.html"], 1, "none.toml"),
    ],
)
def test_what_goes_wrong_is_one_line(
    capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    written(pathlib.Path())
    before = pathlib.Path("ring.gcode").read_bytes()
    assert outcome(["review", *words, *TIMES]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert len(err.strip().splitlines()) == 1
    assert pathlib.Path("ring.gcode").read_bytes() == before
    assert not list(pathlib.Path().glob("*.html"))


def test_check_does_not_load_what_pages_need() -> None:
    written(pathlib.Path())
    code = (
        "import sys; from gcodetool.cli.main import outcome; outcome(['check', 'ring.gcode']); "
        "sys.exit(str({'matplotlib', 'jinja2', 'markupsafe'} & set(sys.modules) or '') or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@compiled_only
def test_a_record_that_begins_with_the_job_has_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    job, spool = written(pathlib.Path())
    text = spool.read_text().partition("[[event]]")[0]
    spool.write_text(f'{text}[[event]]\nat = {AT}\nkind = "received"\nplace = "bench"\nwater_wt_pct = 0.05\n')
    page = holds(reviewed(capsys, job, "--spool", spool))
    assert "0.05 wt % when received" in page.text
