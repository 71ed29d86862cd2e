"""Random and broken files of every sort but G-code itself, and what has to hold for all of them.

A :class:`Sort` has sound files to start from and the calls that read one.  :func:`broken` makes a file from a seed;
:func:`examined` puts it through the calls: each ends with an exit code and lines, never with a traceback, and what was
accepted once stands when it is read again.  Used by ``test_fuzz_files.py`` and, for minutes or hours,
``fuzz_long.py --sort SORT``.  Damage to ledgers is in ``ledger_damage.py``.
"""

import contextlib
import gzip
import io
import lzma
import os
import random
import re
import shutil
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final
from unittest import mock

import binary_twin

from gcodetool.cli.main import outcome

ROOT: Final = Path(__file__).parents[1]
SHELF: Final = ROOT / "sample_gcode" / "shelf"
DATA: Final = ROOT / "tests" / "data"
JOB: Final = DATA / "gcode" / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
AT: Final = ("--at", "2026-11-25T09:00:00+01:00")
QUICK: Final = (*AT, "--members", "1")
ENDED: Final = frozenset((0, 1, 2, 10, 20, 21, 30))
PLAIN_WORDS: Final = """
    nan inf -inf 1e999 -1e308 1e308 1e-320 -0 0 0.0 -1 99999999999999999999999 0x1F 1_000 1,5 true null none
    [] {} [[ ]] = == , ; : " ' ''' # % $ ../.. ~ /dev/zero bad.toml C:\\ 24:00 12:00:60 2026-13-45
    0001-01-01T00:00:00Z 9999-12-31T23:59:59-12:00 PETG petg-03 bench oven kind at \ufeff \u202e é ° −5
"""
ODD_WORDS: Final = ("", " ", "\t", "\r", "\n", "\0", "\x1b[31m", '"""', "a" * 5000, "[" * 300, "9" * 5000)
WORDS: Final = (*PLAIN_WORDS.split(), *ODD_WORDS)
TOKEN: Final = re.compile(rb"[-+]?\d+(?:[.,]\d+)?(?:e[-+]?\d+)?|[A-Za-z_]\w*|[^\w\s]", re.IGNORECASE)


@dataclass(frozen=True)
class Sort:
    """Files of one sort.

    Attributes
    ----------
    sound : name and content of files that nothing is wrong with.
    calls : for a file, the commands that read it, one after the other; each one's text says where a second one is.
    text : whether they are lines of words.
    repair : puts right what would keep a broken file from being looked into, now and then.
    """

    sound: Callable[[], list[tuple[str, bytes]]]
    calls: Callable[[Path, Path], list[list[str]]]
    text: bool = True
    repair: Callable[[bytes], bytes] = lambda data: data


# --- making ------------------------------------------------------------------------------------


def broken(sort: str, seed: int) -> tuple[str, bytes]:
    """Return a file's name and content, the same for the same seed."""
    dice, kind = random.Random(f"{sort} {seed}"), SORTS[sort]
    name, data = dice.choice(kind.sound())
    for _ in range(dice.choice((0, 1, 1, 1, 2, 3, 8))):
        change = dice.choice((_words, _words, _lines, _bytes) if kind.text else (_bytes,))
        data = change(data, dice, kind)
    return name, kind.repair(data) if dice.random() < 0.6 else data


def _words(data: bytes, dice: random.Random, _: Sort) -> bytes:
    """Put another word in the place of one."""
    found = list(TOKEN.finditer(data))
    if not found:
        return data
    one = dice.choice(found)
    new = dice.choice(WORDS).encode() if dice.random() < 0.6 else dice.choice(found)[0]
    if dice.random() < 0.2:
        new = dice.randbytes(dice.randrange(6))
    return data[: one.start()] + new + data[one.end() :]


def _lines(data: bytes, dice: random.Random, _: Sort) -> bytes:
    """Take a line out, put it in twice or many times, or elsewhere."""
    lines = data.splitlines(keepends=True)
    if not lines:
        return data
    at = dice.randrange(len(lines))
    how = dice.randrange(4)
    if how == 0:
        del lines[at]
    elif how == 1:
        lines[at:at] = [lines[at]] * dice.choice((1, 2, 500))
    elif how == 2:
        lines.insert(dice.randrange(len(lines)), lines.pop(at))
    else:
        end = dice.choice((b"\r\n", b"\r", b"\n\n", b"\x85"))
        lines = [line.rstrip(b"\r\n") + end for line in lines]
    return b"".join(lines)


def _bytes(data: bytes, dice: random.Random, kind: Sort) -> bytes:
    """Change, take out, put in or cut off some bytes; structure stands at the ends, so often there."""
    if not data:
        return dice.randbytes(dice.randrange(40))
    at = dice.randrange(len(data))
    if dice.random() < 0.5:
        at = dice.choice((at % 300, len(data) - 1 - at % 300)) % len(data)
    how, size = dice.randrange(6), dice.choice((1, 1, 2, 4, 8, 30))
    if how == 0:
        return data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]
    if how == 1:
        number = dice.choice((0, 1, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, 2**63 - 1, 2**64 - 1))
        return data[:at] + struct.pack("<Q", number)[:size] + data[at + size :]
    if how == 2:
        return data[:at] + data[at + size :]
    if how == 3:
        return data[:at] + dice.randbytes(size) + data[at:]
    if how == 4:
        return data[:at]
    _, other = dice.choice(kind.sound())
    return data[:at] + other[dice.randrange(len(other) + 1) :][: dice.choice((8, 100, 10**6))]


# --- containers --------------------------------------------------------------------------------


@cache
def _job() -> bytes:
    return lzma.decompress(JOB.read_bytes())


@cache
def _containers() -> list[tuple[str, bytes]]:
    short = b"".join(_job().splitlines(keepends=True)[:600]) + b"".join(
        _job().splitlines(keepends=True)[-200:]
    )
    found = [
        ("job.gcode.gz", gzip.compress(short, mtime=0)),
        ("job.gcode.xz", lzma.compress(short)),
        ("job.gcode.3mf", next((DATA / "gcode").glob("x02*")).read_bytes()),
    ]
    for compression in (binary_twin.NONE, binary_twin.DEFLATE, binary_twin.SHRINK_11, binary_twin.SHRINK_12):
        for encoding in (binary_twin.PLAIN, binary_twin.PACKED_COMMENTS):
            found.append(("job.bgcode", binary_twin.written(short, compression, encoding, size=4000)[0]))
    return found


def _summed(data: bytes) -> bytes:
    """Return binary G-code whose blocks carry the sums of what they hold now, as far as their heads can be followed."""
    if data[:4] != b"GCDE" or data[8:10] != b"\1\0":
        return data
    out, at = bytearray(data), 10
    while at + 8 <= len(data):
        kind, compression, size = struct.unpack_from("<2HL", data, at)
        head = 12 if compression else 8
        if compression and at + 12 <= len(data):
            (size,) = struct.unpack_from("<L", data, at + 8)
        end = at + head + (6 if kind == binary_twin.PICTURE else 2) + size
        if end + 4 > len(data):
            break
        struct.pack_into("<L", out, end, zlib.crc32(data[at:end]))
        at = end + 4
    return bytes(out)


def _container_calls(file: Path, folder: Path) -> list[list[str]]:
    out = str(folder / "out.gcode")
    return [
        ["check", str(file), *QUICK],
        ["prepare", str(file), "-o", out, *QUICK],
        ["check", out, *QUICK],
        ["prepare", "--in-place", str(file), *QUICK],
        ["check", str(file), *QUICK],
    ]


# --- TOML --------------------------------------------------------------------------------------

PROFILE_FOLDERS: Final = ("materials", "printers", "dryers", "spool-bodies", "desiccants", "settings")
LIST: Final = b"""printer = "bench-1"
shelf = ["."]

[[job]]
file = "job.gcode"
copies = 2
due = 2026-11-27T18:00:00+01:00

[[job]]
file = "job.gcode"
spool = "petg-03"
"""


@cache
def _tomls() -> list[tuple[str, bytes]]:
    found = [("spool.toml", path.read_bytes()) for path in sorted(SHELF.glob("*.toml"))] * 4
    found += [("list.toml", LIST)] * 6
    for folder in PROFILE_FOLDERS:
        for path in sorted((ROOT / "profiles" / folder).glob("*.toml")):
            found.append((f"own/{folder}/{path.name}", path.read_bytes()))
    return found


def _toml_calls(file: Path, folder: Path) -> list[list[str]]:
    spool, ledger = str(SHELF / "petg-03.toml"), ["--ledger", str(folder / "ledger.sqlite")]
    if file.name == "spool.toml":
        again = str(folder / "again.toml")
        return [
            ["spool", "show", str(file), *QUICK],
            ["spool", "import", str(file), *ledger],
            ["spool", "export", "petg-03", "-o", again, *ledger],
            ["spool", "show", again, *QUICK],
            ["ledger", "check", *ledger],
            ["drying", "plan", str(file), "--dryer", "oven", *QUICK],
        ]
    if file.name == "list.toml":
        (folder / "job.gcode").write_bytes(_job())
        return [["queue", str(file), "--processes", "1", *QUICK]]
    job, name = str(folder / "job.gcode"), file.stem
    (folder / "job.gcode").write_bytes(_job())
    return {
        "materials": [["spool", "show", str(_spool_with(folder, "PETG", name)), *QUICK]],
        "printers": [["check", job, "--printer", name, *QUICK]],
        "dryers": [["drying", "plan", spool, "--dryer", name, *QUICK]],
        "spool-bodies": [["spool", "show", str(_spool_with(folder, "polystyrene", name)), *QUICK]],
        "desiccants": [["profiles", "show", name]],
        "settings": [
            ["adjust", str(DATA / "profiles" / "a-flat-petg-green.ini"), "--spool", spool, "--diff", *QUICK],
            ["adjust", str(DATA / "profiles" / "c-user-petg-smoke.json"), "--spool", spool, "--diff", *QUICK],
        ],
    }[file.parent.name]


def _spool_with(folder: Path, old: str, new: str) -> Path:
    path = folder / "with.toml"
    text = (SHELF / "petg-03.toml").read_text(encoding="utf-8")
    path.write_text(text.replace(f'material = "{old}"', f'material = "{new}"'), encoding="utf-8")
    return path


# --- CSV ---------------------------------------------------------------------------------------

LOGS: Final = (
    b"time,temperature_C,rh_pct\n2026-11-20T08:00:00,21,50\n2026-11-20T09:00:00,21.5,51\n2026-11-20T10:00:00,22,52\n",
    "Zeit;Temperatur (°C);Feuchte (%)\n20.11.2026 08:00;21,4;50,1\n20.11.2026 09:00;21,5;51,0\n".encode(
        "cp1252"
    ),
    b'"Date","Temp F","RH"\r\n"11/20/2026 8:00 AM","70.1","50"\r\n"11/20/2026 9:00 AM","70.4","51"\r\n',
    b"1\t2026-11-20 08:00:00\t21.0\t50\n2\t2026-11-20 09:00:00\t21.5\t51\n3\t2026-11-20 10:00:00\t22\t52\n",
    b"# logger 7\n# bench\nepoch,t,h\n1795161600,21.0,50\n1795165200,21.5,51\n1795168800,22,52\n",
    "time,temperature\n2026-11-23T19:00:00+01:00,61\n2026-11-23T21:00:00+01:00,63\n".encode("utf-16"),
)


def _csvs() -> list[tuple[str, bytes]]:
    return [("log.csv", data) for data in LOGS]


def _csv_calls(file: Path, folder: Path) -> list[list[str]]:
    ledger = ["--ledger", str(folder / "ledger.sqlite")]
    bench = ["--kind", "open", "--temperature", "21", "--humidity", "50", "--at", "2026-11-01T08:00"]
    text = (SHELF / "petg-03.toml").read_text(encoding="utf-8")
    own = text.replace("temperature_C = 22.0\nrh_pct = 48.0", f'log = "{file.name}"')
    (file.parent / "spool.toml").write_text(own, encoding="utf-8")
    return [
        ["spool", "show", str(file.parent / "spool.toml"), *QUICK],
        ["place", "add", "bench", *bench, *ledger],
        ["place", "log", "bench", str(file), *ledger],
        ["place", "show", "bench", *ledger],
        ["ledger", "check", *ledger],
        ["drying", "fit", str(SHELF / "petg-03.toml"), "--log", str(file), "--knob", "65", *QUICK],
    ]


# --- presets and machines ----------------------------------------------------------------------


@cache
def _presets() -> list[tuple[str, bytes]]:
    return [
        (path.name, path.read_bytes())
        for path in sorted((DATA / "profiles").iterdir())
        if path.suffix not in (".md", ".info")
    ]


def _preset_calls(file: Path, folder: Path) -> list[list[str]]:
    for beside in (DATA / "profiles").iterdir():  # parents and what slicers keep with a preset
        if not (file.parent / beside.name).exists():
            shutil.copy(beside, file.parent)
    out = folder / f"out{file.suffix}"
    spool = ["--spool", str(SHELF / "petg-03.toml")]
    return [
        ["adjust", str(file), *spool, "--diff", *QUICK],
        ["adjust", str(file), *spool, "-o", str(out), *QUICK],
        ["adjust", str(out), *spool, "--diff", *QUICK],
    ]


@cache
def _machines() -> list[tuple[str, bytes]]:
    found = sorted((DATA / "machines").rglob("*.*"))
    return [(path.name, path.read_bytes()) for path in found if path.suffix in (".cfg", ".txt", ".g")]


def _machine_calls(file: Path, folder: Path) -> list[list[str]]:
    made = folder / "made.toml"
    (folder / "job.gcode").write_bytes(_job())
    return [
        ["profiles", "import", str(file), "-o", str(made)],
        ["check", str(folder / "job.gcode"), "--printer", str(made), *QUICK],
    ]


SORTS: Final = {
    "containers": Sort(_containers, _container_calls, text=False, repair=_summed),
    "toml": Sort(_tomls, _toml_calls),
    "csv": Sort(_csvs, _csv_calls),
    "presets": Sort(_presets, _preset_calls),
    "machines": Sort(_machines, _machine_calls),
}


# --- the laws ----------------------------------------------------------------------------------


def said(words: list[str]) -> tuple[int, str, str]:
    """Return exit code, stdout and stderr of a call; a fault of the tool itself raises."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = outcome(words)
    return code, out.getvalue(), err.getvalue()


@contextlib.contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Let calls use nothing of this machine's user, and show faults as what they are."""
    own = {
        "GCODETOOL_DEBUG": "1",
        "GCODETOOL_CACHE": "",
        "GCODETOOL_SNAPSHOTS": "off",
        "GCODETOOL_PROFILES": str(folder / "own"),
        "GCODETOOL_LEDGER": str(folder / "no-ledger.sqlite"),
    }
    with mock.patch.dict(os.environ, own):
        yield


def examined(sort: str, name: str, content: bytes, folder: Path) -> dict[str, int]:
    """Put a file through the calls of its sort; return how many did what.

    Whatever is neither an exit code of the contract nor words of one line raises, and so does what is refused after
    it was written by one of the calls themselves.
    """
    counts = {"accepted": 0, "refused": 0}
    for left in folder.iterdir():
        shutil.rmtree(left) if left.is_dir() else left.unlink()
    file = folder / name
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(content)
    written: set[str] = set()
    with alone(folder):
        for words in SORTS[sort].calls(file, folder):
            if any(str(folder) in word and not Path(word).exists() for word in words[1:3]):
                continue  # what would have been written was not
            if words[:2] == ["spool", "export"]:
                words[2] = _imported(folder) or words[2]
            code, _, err = said(words)
            assert code in ENDED, (words, code, err)
            assert "Traceback" not in err, (words, err)
            if code in (1, 2):
                assert err.count("\n") >= 1, words
                assert err.startswith("gcodetool: ") or "\ngcodetool: " in err, (words, err)
                assert not written & set(words[1:3]), (words, err)  # its own work is no good to it
            counts["refused" if code in (1, 2) else "accepted"] += 1
            written |= _outputs(words, code)
    return counts


def _outputs(words: list[str], code: int) -> set[str]:
    """Return the files that a call wrote: what comes next must take them."""
    if code in (1, 2):
        return set()
    return {words[at + 1] for at, word in enumerate(words[:-1]) if word == "-o"}


def _imported(folder: Path) -> str | None:
    """Return the spool that was imported before."""
    code, out, _ = said(
        ["spool", "list", "--json", "--members", "1", "--ledger", str(folder / "ledger.sqlite")]
    )
    found = re.search(r'"id": "([^"]+)"', out)
    return found[1] if code == 0 and found else None
