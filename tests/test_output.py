"""Output never fails: any name, any note, any code page, a terminal or a pipe; and nothing steers the terminal."""

import io
import json
import lzma
import os
import pathlib
import re
import shutil
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.cli.main import outcome
from gcodetool.cli.output import Careful, escaped, fitted, json_for

ROOT = pathlib.Path(__file__).parents[1]
SHELF = ROOT / "sample_gcode" / "shelf"
SMALL = ROOT / "tests" / "data" / "gcode" / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
AT = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]
PAGES = ("utf-8", "ascii", "cp1252", "cp437", "cp932", "latin-1", "koi8-r", "gb18030")
NASTY = os.fsdecode(b"t\x80\x1b[31m\xe2\x80\xae \xc3\xa9\xe2\x82\xac\xf0\x9f\x98\x80\xf3\xa0\x81\x81\x07")
PLAIN = "plain"
STYLE = re.compile(r"\x1b\[[0-9;]*m")


class Stream(io.TextIOWrapper):
    """A strict stream of one code page, as Python opens it for a terminal or a pipe."""

    def __init__(self, encoding: str, *, terminal: bool) -> None:
        self.held = io.BytesIO()
        self.terminal = terminal
        super().__init__(self.held, encoding=encoding, errors="strict", write_through=True)

    def isatty(self) -> bool:
        return self.terminal


def call(
    words: list[str], page: str, terminal: bool, monkeypatch: pytest.MonkeyPatch
) -> tuple[int, str, str]:
    out, err = Stream(page, terminal=terminal), Stream(page, terminal=terminal)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", err)
        code = outcome(words)
    return code, *(stream.held.getvalue().decode(page) for stream in (out, err))  # type: ignore[return-value]


def world(folder: pathlib.Path, name: str) -> list[list[str]]:
    """Make a folder whose files and notes bear *name*; return calls that print them."""
    folder.mkdir()
    job = folder / f"{name}.gcode"
    job.write_bytes(lzma.decompress(SMALL.read_bytes()))
    shutil.copy(ROOT / "tests" / "data" / "profiles" / "a-flat-petg-green.ini", folder / f"{name}.ini")
    ledger = ["--ledger", str(folder / "ledger.sqlite")]
    bench = ["place", "add", "bench", "--kind", "open", "--temperature", "21", "--humidity", "50"]
    added = ["spool", "add", "a-1", "--material", "PETG", "--colour", name]
    return [
        [*bench, "--note", name, *ledger],
        [*added, *ledger],
        ["spool", "weigh", "a-1", "1000", "--note", name, "--force", *ledger],
        ["spool", "list", *ledger, *AT],
        ["spool", "show", "a-1", *ledger],
        ["spool", "show", "a-1", "--json", *ledger],
        ["spool", "export", "a-1", *ledger],
        ["place", "list", *ledger],
        ["place", "log", "bench", str(folder / f"{name}.csv"), *ledger],
        ["check", str(job), *AT],
        ["check", str(job), "--json", *AT],
        ["check", str(folder / f"{name}-none.gcode"), *AT],
        ["prepare", str(job), "--report", str(folder / f"{name}.json"), *AT],
        ["prepare", "--in-place", str(job), *AT],
        ["review", str(job), "-o", str(folder / f"{name}.html"), *AT],
        ["adjust", str(folder / f"{name}.ini"), "--spool", str(SHELF / "petg-03.toml"), "--diff", *AT],
        ["spool", "show", name, *ledger],
        ["spool", "move", "a-1", name, *ledger],
        ["ledger", "check", *ledger],
        ["ledger", "backup", "-o", str(folder / f"{name}.sqlite"), *ledger],
        [name],
    ]


@pytest.mark.parametrize(
    ("page", "terminal"), [(page, bool(number % 2)) for number, page in enumerate(PAGES)]
)
def test_exit_codes_are_those_of_plain_names(
    page: str, terminal: bool, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    plain, nasty = world(tmp_path / "plain", PLAIN), world(tmp_path / "nasty", NASTY)
    for words, nasty_words in zip(plain, nasty, strict=True):
        wanted = call(words, page, terminal, monkeypatch)
        code, out, err = call(nasty_words, page, terminal, monkeypatch)
        assert code == wanted[0], (nasty_words, wanted[2], err)
        assert err.count("\n") == wanted[2].count("\n"), err
        for sign in STYLE.sub("", out) + err:
            assert sign in "\n\t" or unicodedata.category(sign) not in ("Cc", "Cf", "Cs"), (nasty_words, sign)
        assert "\x1b[31m" not in err
        if "--json" in words:
            json.loads(out)
            assert page == "utf-8" or out.isascii()


@given(st.text(st.characters()), st.sampled_from(PAGES))
def test_whatever_is_written_arrives(text: str, page: str) -> None:
    stream = Stream(page, terminal=True)
    assert Careful(stream).write(text) == len(text)
    shown = stream.held.getvalue().decode(page)
    assert not any(unicodedata.category(sign) in ("Cc", "Cf", "Cs") for sign in shown if sign not in "\n\t")


@given(st.text(st.characters()))
def test_plain_text_stays_as_it_is(text: str) -> None:
    plain = "".join(sign for sign in text if sign.isprintable() or sign in "\n\t")
    assert escaped(plain) == plain
    assert fitted(plain, "utf-8") == plain


@given(
    st.recursive(
        st.text(st.characters()) | st.integers() | st.none(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters()), inner),
    ),
    st.sampled_from(PAGES),
    st.booleans(),
)
def test_json_says_the_same_in_every_code_page(value: object, page: str, terminal: bool) -> None:
    stream = Stream(page, terminal=terminal)
    careful = Careful(stream)
    careful.write(json_for(careful, json.dumps(value, ensure_ascii=False)))  # type: ignore[arg-type]
    written = stream.held.getvalue().decode(page)
    assert json.loads(written) == json.loads(json.dumps(value))
    assert page == "utf-8" or written.isascii()
