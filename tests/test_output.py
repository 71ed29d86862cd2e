"""Output never fails: any name, any note, any code page, a terminal or a pipe; and nothing steers the terminal."""

import io
import json
import lzma
import os
import pathlib
import random
import re
import shutil
import sys
import unicodedata

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.cli import progress
from gcodetool.cli.main import LISTED, main, outcome
from gcodetool.cli.output import Careful, escaped, fitted, json_for

ROOT = pathlib.Path(__file__).parents[1]
SHELF = ROOT / "sample_gcode" / "shelf"
SMALL = ROOT / "tests" / "data" / "gcode" / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
AT = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]
PAGES = ("utf-8", "ascii", "cp1252", "cp437", "cp932", "latin-1", "koi8-r", "gb18030")
NASTY = os.fsdecode(b"t\x80\x1b[31m\xe2\x80\xae \xc3\xa9\xe2\x82\xac\xf0\x9f\x98\x80\xf3\xa0\x81\x81\x07")
PLAIN = "plain"
LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
ROUNDS = 25 if LONG else 2  # of names, each on every code page, to a terminal and to a pipe
FEW = 5  # commands of a round
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


PIECES = (
    *(
        "a",
        "spool 3",
        "é",
        "€",
        "ß",
        "日本",
        "ไทย",
        "Ж",
        "😀",
        "e\u0301",
        "−",
        "°C",
        "[bold]",
        "[/]",
        "{x}",
        "%s",
        "$(ls)",
    ),
    *(
        "\x1b[31m",
        "\x1b]0;t\x07",
        "\r",
        "\n",
        "\t",
        "\x08",
        "\x7f",
        "\x9b2J",
        "\u202e",
        "\u2066",
        "\u200b",
        "\ufeff",
    ),
    *(
        "\u2028",
        "\ue000",
        "\U000e0041",
        "\udc80",
        "\udcff",
        "'",
        '"',
        "\\",
        ";",
        "#",
        "=",
        "'''",
        "&lt;",
        "<b>",
        "--",
    ),
)


def a_name(dice: random.Random) -> str:
    """Return what a file may be called, or a note may say, on a system that takes any bytes."""
    if dice.random() < 0.3:
        some = bytes(dice.choice(range(1, 256)) for _ in range(dice.randrange(1, 40)))
        return "t" + os.fsdecode(some).replace("/", "_")
    return "t" + "".join(dice.choice(PIECES) for _ in range(dice.randrange(1, 9)))[:60].replace("/", "_")


def a_place(dice: random.Random) -> str:
    """Return a place's name: printable, as the ledger takes no others."""
    return "".join(sign for sign in a_name(dice) if sign.isprintable())[:60].strip()


def beginning(folder: pathlib.Path, name: str, place: str) -> list[list[str]]:
    """Make a folder whose files, places and notes bear names; return the calls that fill its ledger."""
    folder.mkdir()
    (folder / f"{name}.gcode").write_bytes(lzma.decompress(SMALL.read_bytes()))
    for source, ending in (
        ("profiles/a-flat-petg-green.ini", "ini"),
        ("machines/klipper/hot-end.cfg", "cfg"),
    ):
        shutil.copy(ROOT / "tests" / "data" / source, folder / f"{name}.{ending}")
    shutil.copy(SHELF / "pla-11.toml", folder / f"{name}.toml")
    log = "time,temperature_C,rh_pct\n2026-11-20T08:00,21,50\n2026-11-20T09:00,21,51\n"
    (folder / f"{name}.csv").write_text(log)
    ledger = ["--ledger", str(folder / "ledger.sqlite")]
    open_air = ["--kind", "open", "--temperature", "21", "--humidity", "50", "--at", "2026-11-01T08:00"]
    oven = ["--kind", "dryer", "--temperature", "65", "--room", place, "--at", "2026-11-01T08:00"]
    spool = ["--material", "PETG", "--colour", name, "--place", place, "--at", "2026-11-01T08:00"]
    return [
        ["place", "add", place, *open_air, "--note", name, *ledger],
        ["place", "add", "oven", *oven, *ledger],
        ["spool", "add", "a-1", *spool, *ledger],
        ["spool", "dried", "a-1", "--hours", "6", "--note", name, "--at", "2026-11-20T08:00", *ledger],
        ["spool", "weigh", "a-1", "1000", "--note", name, "--force", "--at", "2026-11-21T08:00", *ledger],
    ]


def world(folder: pathlib.Path, name: str, place: str) -> list[list[str]]:
    """Return a call of every command, each with the names where it takes one."""
    job, csv, toml = (str(folder / f"{name}.{ending}") for ending in ("gcode", "csv", "toml"))
    ledger, own = ["--ledger", str(folder / "ledger.sqlite")], ["--ledger", str(folder / f"{name}.sqlite")]
    petg = ["--spool", str(SHELF / "petg-03.toml")]
    when = ["--at", "2026-11-22T08:00", *ledger]
    return [
        ["spool", "list", *ledger, *AT],
        ["spool", "show", "a-1", *ledger, "--members", "1"],
        ["spool", "show", "a-1", "--json", *ledger, "--members", "1"],
        ["spool", "show", toml, *AT],
        ["spool", "show", f"{name}-none", *ledger],
        ["spool", "set", "a-1", "--note", name, *ledger],
        ["spool", "move", "a-1", f"{name}-none", *when],
        ["spool", "move", "a-1", place, "--note", name, *when],
        ["spool", "inspect", "a-1", "--bubbles", "few", "--note", name, *when],
        ["spool", "fed", "a-1", "--length", "100", "--note", name, *when],
        ["spool", "fed", "a-1", "--job", str(folder / f"{name}.json"), *when],
        ["spool", "export", "a-1", *ledger],
        ["spool", "export", "a-1", "-o", str(folder / f"{name}-out.toml"), *ledger],
        ["spool", "import", toml, *own],
        ["spool", "import", str(folder / "ledger.sqlite"), "--merge", *own],
        ["spool", "undo", "a-1", *ledger],
        ["spool", "retire", "a-1", "--note", name, *ledger],
        ["place", "list", *ledger],
        ["place", "show", place, *ledger],
        ["place", "show", place, "--json", *ledger],
        ["place", "set", place, "--note", name, *ledger],
        ["place", "read", place, "--humidity", "51", *ledger],
        ["place", "log", place, csv, *ledger],
        ["place", "undo", place, *ledger],
        ["check", job, *petg, *AT],
        ["check", job, "--json", *AT],
        ["check", job, "--printer", name, *AT],
        ["check", str(folder / f"{name}-none.gcode"), *AT],
        ["prepare", job, "--report", str(folder / f"{name}.json"), *AT],
        ["prepare", "--in-place", job, *AT],
        ["review", job, "-o", str(folder / f"{name}.html"), *AT],
        ["queue", job, toml, *AT],
        ["queue", str(folder), "--json", "--html", str(folder / f"{name}.html"), *AT],
        ["adjust", str(folder / f"{name}.ini"), *petg, "--diff", *AT],
        ["adjust", str(folder / f"{name}.ini"), *petg, "-o", str(folder / f"{name}-new.ini"), *AT],
        ["drying", "plan", toml, "--dryer", "oven", *AT],
        ["drying", "status", f"{name}-none", *ledger],
        ["drying", "fit", toml, "--log", csv, "--knob", "60", *AT],
        ["drying", "list", *ledger],
        ["profiles", "list"],
        ["profiles", "show", name],
        ["profiles", "import", str(folder / f"{name}.cfg"), "-o", str(folder / f"{name}-made.toml")],
        ["ledger", "check", *ledger],
        ["ledger", "backup", "-o", str(folder / f"{name}-copy.sqlite"), *ledger],
        ["ledger", "restore", str(folder / f"{name}-copy.sqlite"), *ledger],
        ["ledger", "restore", name, *ledger],
        ["spool", "outcome", "a-1", "--strings", "few", "--parts", "good", "--note", name, *when],
        ["spool", "cut", "a-1", "a-2", "--length", "1000", "--note", name, *when],
        ["spool", "label", "a-1", "-o", str(folder / f"{name}.svg"), *ledger],
        ["place", "label", place, "-o", str(folder / f"{name}.svg"), *ledger],
        ["place", "fit", place, *when],
        ["place", "size", place, "--spools", "a-1", *when],
        ["place", "renewed", place, "--note", name, *when],
        ["place", "sensor", place, *ledger],
        ["due", *when],
        ["serve", "devices", "drop", name, *ledger],
        ["series", "plan", toml, *ledger],
        ["series", "start", toml, *ledger],
        ["series", "list", *ledger],
        ["series", "show", name, *ledger],
        ["series", "result", name, csv, *ledger],
        ["series", "report", name, *ledger],
        ["series", "export", name, "-o", str(folder / f"{name}-out.csv"), *ledger],
        ["series", "undo", name, *ledger],
        ["profiles", "check", toml],
        ["watch", str(folder / f"{name}-none"), "--once", *ledger],
        ["limits", "show", name, *ledger],
        ["limits", "adopt", name, *ledger],
        ["limits", "drop", name, *ledger],
        ["licences"],
        ["docs", name],
        ["demo"],
        [name],
    ]


def test_every_command_is_called(tmp_path: pathlib.Path) -> None:
    """One that is new is not forgotten."""
    calls = [*beginning(tmp_path / "plain", PLAIN, PLAIN), *world(tmp_path / "plain", PLAIN, PLAIN)]
    context = click.Context(main)
    for name in LISTED:
        command = main.get_command(context, name)
        for below in getattr(command, "commands", {"": None}):
            words = [name, below] if below else [name]
            assert any(call[: len(words)] == words for call in calls), words


@pytest.mark.parametrize("terminal", [False, True], ids=["pipe", "terminal"])
@pytest.mark.parametrize("page", PAGES)
def test_exit_codes_are_those_of_plain_names(
    page: str, terminal: bool, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A few commands each time, on names drawn anew; all of them in the long mode."""
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setattr(progress, "AFTER_S", 1e9)  # its bar moves the cursor, on a slow machine
    monkeypatch.chdir(tmp_path)
    for seed in range(ROUNDS):
        dice = random.Random(f"{page} {terminal} {seed}")
        name, place = (a_name(dice), a_place(dice)) if seed else (NASTY, "rack")
        folders = tmp_path / f"plain-{seed}", tmp_path / f"nasty-{seed}"
        pairs = list(
            zip(beginning(folders[0], PLAIN, PLAIN), beginning(folders[1], name, place), strict=True)
        )
        more = list(zip(world(folders[0], PLAIN, PLAIN), world(folders[1], name, place), strict=True))
        pairs += sorted(dice.sample(more, len(more) if LONG else FEW), key=more.index)
        for words, nasty_words in pairs:
            wanted = call(words, page, terminal, monkeypatch)
            code, out, err = call(nasty_words, page, terminal, monkeypatch)
            where = (seed, nasty_words, wanted, err)
            assert code == wanted[0], where
            assert code not in (1, 2) or err.count("\n") == wanted[2].count("\n"), where
            for sign in STYLE.sub("", out) + err:
                assert sign in "\n\t" or unicodedata.category(sign) not in ("Cc", "Cf", "Cs"), (where, sign)
            assert "\x1b[31m" not in err, where
            if "--json" in words and code not in (1, 2):
                json.loads(out)
                assert page == "utf-8" or out.isascii(), where


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


LEAVES = st.text(st.characters()) | st.integers() | st.none()


@given(
    st.lists(LEAVES | st.dictionaries(st.text(st.characters()), LEAVES | st.lists(LEAVES))),
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


def test_streams_that_the_caller_closed_change_no_exit_code(tmp_path, monkeypatch) -> None:
    """A service, or a slicer without a console, starts a step with stdout, or both, closed."""
    report = tmp_path / "report.json"
    check = [
        "check",
        str(SMALL),
        "--spool",
        f"0={SHELF / 'petg-03.toml'}",
        "--spool",
        f"1={SHELF / 'petg-03.toml'}",
        *AT,
    ]
    wanted = outcome(check)
    assert wanted in (0, 10, 20, 21)
    for closed in (("stdout",), ("stdout", "stderr")):
        with monkeypatch.context() as patch:
            for name in closed:
                patch.setattr(sys, name, None)
            assert outcome(check) == wanted
            assert outcome([*check, "--json"]) == wanted
            assert outcome(["spool", "list", "--ledger", str(report)]) == 1
            assert (sys.stdout, sys.stderr is None) == (None, "stderr" in closed)
