"""Every option and argument of every command: numbers take their units, names complete, in every shell."""

import os
import pathlib
import subprocess
import sys
from collections.abc import Iterator

import click
import pytest

from gcodetool.cli.main import LISTED, main, outcome
from gcodetool.cli.quantity_types import Amount
from gcodetool.cli.shelf import NameType
from gcodetool.profiles import sample_folder
from gcodetool.quantities import NUMBER

# What has no unit: how much faster a fan dries, openings a week; a price, whose currency stands in gcodetool.toml.
UNITLESS = {"draught", "openings_per_week", "tariff"}
# What only the person can know: free words, new names, addresses, hours of a day.
FREE = {
    *("note", "sample_id", "as_id", "address", "host", "scheduler", "present", "sensor"),
    *("spool add: spool_id", "place add: name", "serve devices calendar: name", "profiles import: name"),
}
SHOP = (
    "place add bench --kind open --temperature 22 --humidity 48 --at 2026-11-01T08:00Z",
    "place add oven --kind dryer --temperature 65 --room bench --at 2026-11-01T08:00Z",
    "spool add petg-03 --material PETG --place bench --line blue-label --colour navy --at 2026-11-01T08:00Z",
    "spool add pa6-07 --material PA6 --place bench --at 2026-11-01T08:00Z",
)


def parameters() -> Iterator[tuple[str, click.Parameter]]:
    """Yield every parameter of every command, with the words that call it."""

    def below(command: click.Command, words: tuple[str, ...]) -> Iterator[tuple[str, click.Parameter]]:
        for each in command.params:
            yield " ".join(words), each
        if isinstance(command, click.Group):
            for name, inner in command.commands.items():
                yield from below(inner, (*words, name))

    context = click.Context(main)
    for name in LISTED:
        command = main.get_command(context, name)
        assert command is not None
        yield from below(command, (name,))


ALL = list(parameters())
NUMBERS = [
    (words, each)
    for words, each in ALL
    if isinstance(each.type, click.FloatRange | click.types.FloatParamType)
]


def test_every_number_that_is_no_count_goes_through_the_one_parser() -> None:
    assert len(NUMBERS) > 60
    for words, each in NUMBERS:
        assert isinstance(each.type, Amount), f"{words}: {each.name}"
        if each.name not in UNITLESS:
            assert each.type.kind is not NUMBER, f"{words}: {each.name} takes no unit"


@pytest.mark.parametrize(("words", "each"), NUMBERS, ids=[f"{words}: {each.name}" for words, each in NUMBERS])
def test_a_number_comes_as_people_write_it(words: str, each: click.Parameter) -> None:
    """The comma is a decimal sign, each unit of the kind is taken, and what is no number is refused by name."""
    kind = each.type
    assert isinstance(kind, Amount)
    low = -1e9 if kind.min is None else kind.min
    high = 1e9 if kind.max is None else kind.max
    value = next(each for each in (62.5, 0.5, 7.5, 250.5) if low < each < high)
    assert kind.convert(f"{value:g}".replace(".", ","), each, None) == pytest.approx(value)
    for unit, (factor, offset) in kind.kind.units.items():
        written = (value - offset) / factor
        assert kind.convert(f"{written!r} {unit}", each, None) == pytest.approx(value, rel=1e-9), unit
    with pytest.raises(click.BadParameter):
        kind.convert("some", each, None)


def test_what_is_typed_can_be_completed_or_is_known_to_the_person_alone() -> None:
    for words, each in ALL:
        if each.name in FREE or f"{words}: {each.name}" in FREE or getattr(each, "is_flag", False):
            continue
        if isinstance(each.type, click.types.StringParamType):
            assert each._custom_shell_complete is not None, f"{words}: {each.name}"
        else:
            known = (click.Path, click.Choice, NameType, Amount, click.IntRange, click.types.BoolParamType)
            assert isinstance(each.type, known) or each.type.name in ("time", "span", "size"), words


@pytest.fixture
def shop(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "none"))
    for line in SHOP:
        assert outcome(line.split()) == 0
    return tmp_path


def completed(words: list[str], incomplete: str) -> list[str]:
    """Return what the shell would be offered, asked in this process."""
    from click.shell_completion import ShellComplete

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("_GCODETOOL_COMPLETE", "bash_complete")
        asked = ShellComplete(main, {}, "gcodetool", "_GCODETOOL_COMPLETE")
        return [item.value for item in asked.get_completions(words, incomplete)]


@pytest.mark.parametrize(
    ("line", "incomplete", "found"),
    [
        ("spool move", "p", ["pa6-07", "petg-03"]),
        ("place size oven --spools", "petg-03,pa", ["petg-03,pa6-07"]),
        ("place size oven --price", "silica", ["silica_gel="]),
        ("place renewed oven --desiccant", "molec", ["molecular_sieve_3A_4A"]),
        ("place add box-9 --film", "poly", ["polyamide-polyethylene", "polyethylene"]),
        ("place set oven --forget", "sw", ["swing"]),
        ("place log bench a.csv --zone", "Europe/Vie", ["Europe/Vienna"]),
        ("spool set petg-03 --line", "b", ["blue-label"]),
        ("spool add petg-04 --colour", "n", ["navy"]),
        ("limits show", "pet", ["PET_amorphous", "PETG"]),
        ("limits show PETG --line", "", ["blue-label"]),
        ("prepare a.gcode --refuse", "runs-out,dr", ["runs-out,dry-first"]),
        ("prepare a.gcode --apply", "t", ["temperature"]),
        ("prepare a.gcode --wait", "s", ["seconds="]),
        ("check a.gcode --spool", "1=pe", ["1=petg-03"]),
        ("drying plan petg-03 --dryer", "ov", ["oven"]),
        ("docs", "reco", ["records"]),
    ],
)
def test_names_of_every_kind_complete(
    shop: pathlib.Path, line: str, incomplete: str, found: list[str]
) -> None:
    assert completed(line.split(), incomplete) == found


def test_series_their_states_and_quantities_complete(shop: pathlib.Path) -> None:
    plan = shop / "plan.toml"
    job = sample_folder() / "hose-clips-petg.gcode"
    plan.write_text(
        f'id = "clip-1"\njob = "{job}"\nspool = "petg-03"\nreference = "dried"\nprints = 2\n'
        "smallest_difference_pct = 15\n[state.as-found]\n"
        '[state.dried]\ndry = "oven"\nhours = 4\n[quantity.pull_off]\nunit = "N"\nbetter = "higher"\n'
        "specimens = 2\nspread_pct = 8\n"
    )
    words = ["series", "start", str(plan), "--members", "1", "--at", "2026-11-02T08:00Z"]
    assert outcome(words) == 0
    assert completed(["series", "show"], "c") == ["clip-1"]
    assert completed(["prepare", "a.gcode", "--series"], "") == ["clip-1"]
    assert completed(["prepare", "a.gcode", "--series", "clip-1", "--state"], "d") == ["dried"]
    assert completed(["series", "result", "clip-1", "--state"], "") == ["as-found", "dried"]
    assert completed(["series", "result", "clip-2", "--state"], "") == []
    assert completed(["prepare", "a.gcode", "--state"], "") == []
    assert completed(["series", "result", "clip-1"], "pu") == ["pull_off="]


def test_a_filament_of_a_bundle_completes(shop: pathlib.Path) -> None:
    bundle = shop / "bundle.ini"
    bundle.write_text("[filament:*common*]\n[filament:PETG clear]\n[filament:PA6]\n[presets]\n")
    words = ["adjust", str(bundle), "--filament"]
    assert completed(words, "") == ["PETG clear", "PA6"]
    assert completed(["adjust", str(shop / "none.ini"), "--filament"], "") == []


def test_a_ledger_that_cannot_be_read_completes_nothing_and_says_nothing(
    shop: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = shop / "broken.sqlite"
    broken.write_bytes(b"no database at all" * 100)
    monkeypatch.setenv("GCODETOOL_LEDGER", str(broken))
    for words in (["spool", "move"], ["series", "show"], ["limits", "show", "PETG", "--line"]):
        assert [each for each in completed(words, "") if each] == []
    assert capsys.readouterr().err == ""


SHELLS = {
    "bash": ({"COMP_WORDS": "gcodetool spool move pe", "COMP_CWORD": "3"}, "plain,petg-03"),
    "zsh": ({"COMP_WORDS": "gcodetool spool move pe", "COMP_CWORD": "3"}, "plain\npetg-03\n_"),
    "fish": ({"COMP_WORDS": "gcodetool spool move pe", "COMP_CWORD": "pe"}, "plain,petg-03"),
    "powershell": ({"COMP_WORDS": "gcodetool spool move pe", "COMP_CWORD": "3"}, "plain\npetg-03\n_"),
}


@pytest.mark.parametrize("shell", SHELLS)
def test_every_shell_is_answered(shop: pathlib.Path, shell: str) -> None:
    asked, answer = SHELLS[shell]
    root = str(pathlib.Path(__file__).parent.parent)
    paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    code = "from gcodetool.cli.main import run; run()"
    said = {}
    for what in ("complete", "source"):
        more = {**asked, "PYTHONPATH": paths, "_GCODETOOL_COMPLETE": f"{shell}_{what}"}
        done = subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            env={**os.environ, **more},
            check=False,
        )
        assert done.stderr == ""
        said[what] = done.stdout
    assert answer in said["complete"]
    assert f"{shell}_complete" in said["source"]
    docs = (pathlib.Path(root) / "docs" / "shelf.md").read_text(encoding="utf-8")
    assert f"{shell}_source" in docs


@pytest.mark.parametrize(
    "words", [["spool", "undo", "petg-03", "pla"], ["place", "size", "b", "--openings-per-week", "x"]]
)
def test_what_is_no_number_is_called_so(words, capsys) -> None:
    assert outcome(words) == 2
    said = capsys.readouterr().err
    assert " number" in said and "a valid" not in said
