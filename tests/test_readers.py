"""Whatever stands where a file should be, each reader says so in one line, soon, and without much memory."""

import ast
import errno
import gzip
import io
import os
import pathlib
import resource
import shutil
import signal
from collections.abc import Callable, Iterator

import click
import pytest

from gcodetool.cli import main as cli
from gcodetool.cli.main import outcome

ROOT = pathlib.Path(__file__).parents[1]
PACKAGE = ROOT / "gcodetool"
SHELF = ROOT / "sample_gcode" / "shelf"
JOB = ROOT / "sample_gcode" / "spacer-rings-pla.gcode"
PRESETS = ROOT / "tests" / "data" / "profiles"
AT = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]
DOOR = ("opened", "buffered", "read_bytes", "read_text", "load")
MEMORY = 300 << 20

# Who reads a file through the door, and the call below that shows what becomes of a bad one.  A reader that is not
# in this table makes a test fail; one that reads a file of our own, or passes over what it cannot use, says so.
READERS = {
    "gcode.source.sha256": "check",
    "gcode.source.glance": "check",
    "gcode.source._opened": "check",
    "gcode.binary.texts": "check",
    "gcode.binary.ends": "check",
    "gcode.binary.rewritten": "check",
    "gcode.containers.open_plate": "check",
    "gcode.containers.with_plate": "check",
    "queue.reading._sha256": "queue of a folder",
    "queue.job_list.read_list": "queue of a list",
    "queue.begun.read_plan": "queue --from-now",
    "ledger.spoolfile.read_spool": "spool file",
    "ledger.airlogfile.read_log": "log of a place",
    "ledger.exchange.import_spool": "spool import",
    "ledger.csvtext.csv_text": "place log",
    "series.planfile.read_plan": "series plan",
    "ledger.dryerlog.read_temperatures": "drying fit",
    "app.fed_from_report.fed_from_report": "spool fed",
    "profilefile._read": "printer",
    "profiledata._entry": "passed over",
    "slicerfiles.shapes.read": "adjust json",
    "slicerfiles.settings.read_family": "settings",
    "slicerfiles.json_preset.siblings": "passed over",
    "slicerfiles.json_preset._info": "passed over",
    "machinenotes.text_of": "profiles import",
    "cli.profiles.show_profile": "profiles show",
    "cachefile.get": "passed over",
    "app.adjust._write": "our own",
    "app.adjust.filaments_of": "passed over",
    "app.profiles.kind_of_file": "profiles check",
    "app.watch.__init__": "our own",
    "app.watch.being_written": "our own",
    "app.access.secret": "our own",
    "userdefaults.user_defaults": "defaults",
    "app.limits.adopt_limits": "our own",  # read as a profile before
    "report.html.page.written": "our own",
    "report.html.page.style_of": "our own",
    "app.docs._title": "our own",
    "app.docs._title_of_schema": "our own",
    "app.docs.docs_text": "our own",
    "ledger.store._alike": "our own",
    "ledger.merge.is_ledger": "spool import --merge",
}


def door_calls() -> Iterator[tuple[str, str]]:
    """Yield (module.function, what it calls) of every call of the door."""
    for source in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(source.relative_to(PACKAGE).with_suffix("").parts)
        if module in ("textfile", "tomlfile"):
            continue
        tree = ast.parse(source.read_text(encoding="utf-8"))
        imported = {
            name.asname or name.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            and node.module in ("gcodetool.textfile", "gcodetool.tomlfile")
            for name in node.names
        } & set(DOOR)
        for function in ast.walk(tree):
            if isinstance(function, ast.FunctionDef):
                for node in ast.walk(function):
                    if (
                        isinstance(node, ast.Call)
                        and isinstance(node.func, ast.Name)
                        and node.func.id in imported
                    ):
                        yield f"{module}.{function.name}", node.func.id


def test_every_reader_is_in_the_table_and_shown() -> None:
    assert {name for name, _ in door_calls()} == set(READERS)
    assert {call for call in READERS.values() if call not in ("passed over", "our own")} <= set(CALLS)


def test_no_file_is_read_but_through_the_door() -> None:
    found = []
    for source in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(source.relative_to(PACKAGE).with_suffix("").parts)
        if module in ("textfile", "_build"):
            continue
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            name = called.rpartition(".")[2]
            text = ast.unparse(node)
            reads = name in ("fromfile", "loadtxt", "genfromtxt", "memmap") or (
                name in ("read_text", "read_bytes") and "." in called
            )
            opens = name in ("open", "fdopen") and not any(
                mode in text for mode in ("'xb'", "'wb'", "'r+b'", "O_")
            )
            if reads or (opens and not called.startswith(("self._", "gzip.", "lzma."))):
                found.append(f"{module}: {text}")
    assert found == []


# ---------------------------------------------------------------- calls, one for each reader


class World:
    """A folder with all that a call needs but the one bad file."""

    def __init__(self, folder: pathlib.Path) -> None:
        self.folder = folder
        self.ledger = folder / "ledger.sqlite"
        self.profiles = folder / "own"

    def path(self, name: str) -> pathlib.Path:
        path = self.folder / name
        path.parent.mkdir(exist_ok=True, parents=True)
        return path


Call = Callable[[World], tuple[pathlib.Path, list[object]]]


def _check(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.gcode")
    return bad, ["check", bad, *AT]


def _queue_folder(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("jobs/bad.gcode")
    return bad, ["queue", bad.parent, "--shelf", SHELF / "pla-11.toml", *AT]


def _queue_list(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.toml")
    return bad, ["queue", bad, *AT]


def _spool_file(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.toml")
    return bad, ["spool", "show", bad, *AT]


def _log(world: World) -> tuple[pathlib.Path, list[object]]:
    text = (SHELF / "pa6-07.toml").read_text(encoding="utf-8")
    spool = world.path("spool.toml")
    spool.write_text(text.replace("temperature_C = 22.0\nrh_pct = 48.0", 'log = "bad.csv"'), encoding="utf-8")
    return world.path("bad.csv"), ["spool", "show", spool, *AT]


def _import(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.toml")
    return bad, ["spool", "import", bad, "--ledger", world.ledger]


def _merge(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.sqlite")
    return bad, ["spool", "import", bad, "--merge", "--ledger", world.ledger]


def _place_log(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.csv")
    return bad, ["place", "log", "bench", bad, "--ledger", world.ledger]


def _series_plan(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.toml")
    return bad, ["series", "plan", bad, "--ledger", world.ledger]


def _series_result(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.csv")
    return bad, ["series", "result", "clip-petg-1", bad, "--ledger", world.ledger]


def _fit(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.csv")
    return bad, ["drying", "fit", SHELF / "pa6-07.toml", "--log", bad, "--knob", "80", *AT]


def _from_now(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.json")
    return bad, ["queue", JOB, "--shelf", SHELF, "--from-now", bad, *AT]


def _fed(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.json")
    return bad, ["spool", "fed", "pa6-07", "--job", bad, "--ledger", world.ledger]


def _printer(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.toml")
    return bad, ["check", JOB, "--printer", bad, *AT]


def _adjust(ending: str) -> Call:
    def call(world: World) -> tuple[pathlib.Path, list[object]]:
        bad = world.path(f"bad.{ending}")
        return bad, ["adjust", bad, "--spool", SHELF / "pa6-07.toml", "--diff", *AT]

    return call


def _settings(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("own/settings/bad.toml")
    return bad, [
        "adjust",
        PRESETS / "a-flat-petg-green.ini",
        "--spool",
        SHELF / "petg-03.toml",
        "--diff",
        *AT,
    ]


def _profile_import(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.cfg")
    return bad, ["profiles", "import", bad, "-o", world.path("made.toml")]


def _profile_show(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("own/materials/bad.toml")
    return bad, ["profiles", "show", "bad"]


def _ledger(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("bad.sqlite")
    return bad, ["spool", "list", "--ledger", bad]


def _profile_check(world: World) -> tuple[pathlib.Path, list[object]]:
    bad = world.path("own/materials/bad.toml")
    return bad, ["profiles", "check", bad]


def _defaults(world: World) -> tuple[pathlib.Path, list[object]]:
    return world.path("own/gcodetool.toml"), ["check", JOB, *AT]


CALLS: dict[str, Call] = {
    "profiles check": _profile_check,
    "defaults": _defaults,
    "check": _check,
    "queue of a folder": _queue_folder,
    "queue of a list": _queue_list,
    "spool file": _spool_file,
    "log of a place": _log,
    "spool import": _import,
    "spool import --merge": _merge,
    "place log": _place_log,
    "series plan": _series_plan,
    "series result": _series_result,
    "drying fit": _fit,
    "spool fed": _fed,
    "queue --from-now": _from_now,
    "printer": _printer,
    "adjust json": _adjust("json"),
    "adjust ini": _adjust("ini"),
    "adjust xml": _adjust("xml"),
    "settings": _settings,
    "profiles import": _profile_import,
    "profiles show": _profile_show,
    "ledger": _ledger,
}

# ---------------------------------------------------------------- what stands there instead of a file


def _pipe(path: pathlib.Path) -> None:
    os.mkfifo(path)


def _zero(path: pathlib.Path) -> None:
    path.symlink_to("/dev/zero")


def _sparse(path: pathlib.Path) -> None:
    with path.open("wb") as file:
        file.truncate(3 << 30)


def _unreadable(path: pathlib.Path) -> None:
    path.write_bytes(b"a = 1\n")
    path.chmod(0)


def refuse_root(path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the system refuse to open *path*, as it would to anybody but root."""
    opening = os.open

    def refusing(name: object, *words: int, **more: int) -> int:
        if str(name) == str(path):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return opening(name, *words, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", refusing)


PLACES: dict[str, Callable[[pathlib.Path], None]] = {
    "a named pipe": _pipe,
    "/dev/zero": _zero,
    "3 GB of nothing": _sparse,
    "an empty file": lambda path: path.write_bytes(b"") and None,
    "a folder": lambda path: path.mkdir(),
    "unreadable": _unreadable,
    "cp1252": lambda path: path.write_bytes("; Größe\nid = 'Größe'\n".encode("cp1252")) and None,
    "NUL": lambda path: path.write_bytes(b"id = 'a'\n\0\0\0\n") and None,
}


def _bundle() -> bytes:
    """Return thirty filaments, each of which inherits twice from the one above it."""
    sections = ["[filament:f0]\nfilament_type = PA\ntemperature = 1e16\n"]
    sections += [f"[filament:f{n}]\ninherits = f{n - 1}; f{n - 1}\n" for n in range(1, 31)]
    return ("\n".join(sections) + "[presets]\nfilament = f30\n").encode()


def _zipped() -> bytes:
    held = io.BytesIO()
    with gzip.GzipFile(fileobj=held, mode="wb", compresslevel=9) as file:
        for _ in range(300):
            file.write(b"\n" * (1 << 20))
    return held.getvalue()


TOML = {"deep": b"a = " + b"[" * 100_000, "number": b"net_mass_g = " + b"1" * 9000}
CSV = {
    "deep": b"time,temperature_C,rh_pct\n2026-11-02T08:00:00," + b"2" * 200_000 + b",48\n",
    "number": b"time,temperature_C,rh_pct\n2026-11-02T08:00:00,1e999,48\n",
}
JSON = {
    "deep": b'{"name": "a", "type": "filament", "x": ' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    "number": b'{"name": "a", "type": "filament", "nozzle_temperature": ["1e16"], "x": ' + b"1" * 9000 + b"}",
}
CONTENTS: dict[str, dict[str, bytes]] = {
    "check": {"deep": _zipped(), "number": b"G1 X" + b"9" * 9000 + b" E1e999\n" * 10},
    "queue of a folder": {"deep": _zipped(), "number": b"G1 X" + b"9" * 9000 + b" E1e999\n" * 10},
    "log of a place": CSV,
    "place log": CSV,
    "series result": {
        "deep": b"state;print;specimen;quantity;value\n" + b"2" * 200_000 + b";1;1;x;1\n",
        "number": b"state;print;specimen;quantity;value\ndried;1;1;x;1e999\n",
        "many": b"state;print;specimen;quantity;value\ndried;" + b"9" * 9000 + b";1;x;1\n",
    },
    "drying fit": CSV,
    "spool fed": JSON,
    "adjust json": JSON,
    "adjust ini": {
        "deep": _bundle(),
        "number": b"filament_type = PA\ntemperature = 1e16\n",
        "many": b"filament_type = PA\ntemperature = " + b"240," * 100_000 + b"240\n",
        "spaces": b"filament_type = PA\ntemperature = 1" + b" " * 1_000_000 + b"e16\n",
    },
    "adjust xml": {
        "deep": b'<?xml version="1.0" encoding="zzz"?><fdmmaterial><metadata/><settings/>' + b"<a>" * 100_000,
        "number": b'<fdmmaterial><metadata/><settings><setting key="print temperature">1e16</setting></settings>'
        b"</fdmmaterial>",
    },
    "profiles import": {
        "deep": b"[printer]\n" + b"[" * 100_000,
        "number": b"[printer]\nmax_velocity: " + b"9" * 9000 + b"\n[extruder]\nnozzle_diameter: 1e308\n",
    },
    "ledger": {"deep": b"[" * 100_000, "number": b"SQLite format 3\0" + b"\xff" * 9000},
}


@pytest.fixture
def world(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> World:
    """Give a world whose memory and whose patience have an end."""
    monkeypatch.chdir(tmp_path)
    found = World(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(found.profiles))
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(found.ledger))
    return found


@pytest.fixture(scope="module")
def filled_ledger(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    ledger = tmp_path_factory.mktemp("ledger") / "ledger.sqlite"
    assert outcome(["spool", "import", str(SHELF / "pa6-07.toml"), "--ledger", str(ledger)]) == 0
    return ledger


def bounded_outcome(words: list[object], monkeypatch: pytest.MonkeyPatch) -> int:
    """Return the exit code of a call that may take no more than so much memory; one that hangs is ended."""
    pages = int(pathlib.Path("/proc/self/statm").read_text().split()[5])
    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (pages * resource.getpagesize() + MEMORY, hard))
    signal.alarm(120)  # its own action ends the test run: a reader that hangs shall not go unseen
    try:
        return outcome([str(word) for word in words])
    finally:
        signal.alarm(0)
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


CASES = [
    *((call, place, None) for call in CALLS for place in PLACES),
    *((call, kind, data) for call in CALLS for kind, data in CONTENTS.get(call, TOML).items()),
]


@pytest.mark.parametrize(("call", "what", "data"), CASES, ids=[f"{call}-{what}" for call, what, _ in CASES])
def test_a_bad_file_is_one_line(
    call: str,
    what: str,
    data: bytes | None,
    world: World,
    filled_ledger: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    shutil.copy(filled_ledger, world.ledger)
    bad, words = CALLS[call](world)
    if data is None:
        PLACES[what](bad)
        if what == "unreadable":
            refuse_root(bad, monkeypatch)
    else:
        bad.write_bytes(data)
    code = bounded_outcome(words, monkeypatch)
    said = capsys.readouterr()
    if (call, what) in GOOD_ENOUGH:
        assert code == GOOD_ENOUGH[call, what], said
        return
    assert code == 1, said
    assert said.err.count("\n") == 1, said.err
    assert len(said.err) < 1000
    assert "fault in gcodetool" not in said.err
    assert "out of memory" not in said.err


GOOD_ENOUGH = {
    # words that are no numbers are passed over, and said so; by the rules of the shelf's lone printer all of them are
    ("queue of a folder", "number"): 30,
    ("adjust ini", "spaces"): 0,
    ("profiles show", "number"): 0,
    ("profiles show", "deep"): 0,
}


def test_every_number_of_every_command_is_finite() -> None:
    """NaN passes every comparison of a range, and infinity those without an upper end."""
    numbers = 0

    def look(command: click.Command) -> None:
        nonlocal numbers
        for each in command.params:
            if isinstance(each.type, click.types.FloatParamType):
                for word in ("nan", "inf", "-inf", "1e999"):
                    with pytest.raises(click.BadParameter):
                        each.type.convert(word, each, None)
                numbers += 1
        for below in getattr(command, "commands", {}).values():
            look(below)

    context = click.Context(cli.main)
    for name in cli.LISTED:
        found = cli.main.get_command(context, name)
        assert found is not None
        look(found)
    assert numbers > 30


@pytest.mark.parametrize(
    "words",
    [
        "--since 99999999d",
        "--since 1e300h",
        "--at 0001-01-01",
        "--at 9999-12-31T23:59:59-12:00",
        "--at 1969-01-01",
    ],
)
def test_moments_that_no_record_is_of_are_misuse(
    words: str, world: World, filled_ledger: pathlib.Path
) -> None:
    shutil.copy(filled_ledger, world.ledger)
    assert outcome(["spool", "weigh", "pa6-07", "900", *words.split()]) == 2


@pytest.mark.parametrize("year", ["0001", "9999", "1969"])
def test_a_logger_that_was_never_set_is_refused_before_anything_is_written(
    year: str, world: World, filled_ledger: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(filled_ledger, world.ledger)
    log = world.path("log.csv")
    log.write_text(f"time,temperature_C,rh_pct\n{year}-01-01T00:00:00,20,50\n", encoding="utf-8")
    assert outcome(["ledger", "check"]) == 0
    before = capsys.readouterr().out
    assert outcome(["place", "log", "bench", str(log)]) == 1
    assert "years 1970 to 2199" in capsys.readouterr().err
    assert outcome(["ledger", "check"]) == 0
    assert capsys.readouterr().out == before


def test_a_folder_with_a_bad_file_is_one_bad_row(world: World, capsys: pytest.CaptureFixture[str]) -> None:
    folder = world.path("jobs/pipe.gcode").parent
    _pipe(folder / "pipe.gcode")
    _zero(folder / "zero.gcode")
    _sparse(folder / "sparse.gcode")
    (folder / "bomb.gcode").write_bytes(_zipped())
    shutil.copy(JOB, folder / "rings.gcode")
    code = outcome(["queue", str(folder), "--shelf", str(SHELF / "pla-11.toml"), *AT])
    said = capsys.readouterr()
    assert code == 1
    assert "4 of 5 files cannot be read" in said.err
    assert "rings.gcode" in said.out
