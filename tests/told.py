"""Held outputs: what the tool told in stories of a small workshop, stored word for word.

    python tests/told.py                  # say where the stored outputs and today's differ
    python tests/told.py --write [NAME…]  # make them anew, all or these: the change is wanted; read the diff of it
    python tests/told.py --reach          # print, as JSON, the sources that each story enters

A story (``told_stories``) is a script of commands, run in one folder with a ledger of its own, at a fixed moment.  Here
are its verbs, and how its outputs are written down and compared; ``tests/data/told/NAME.txt`` holds them.  Words are
compared exactly, and numbers to a millionth, or to one unit in the last digit where three digits are there: another C
library rounds otherwise.  Pages are held as their words and figures, without style and script.
"""

import argparse
import contextlib
import difflib
import html.parser
import inspect
import io
import json
import lzma
import math
import os
import pathlib
import re
import shlex
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from unittest import mock

from gcodetool.gcode.slicer_environment import SURE
from gcodetool.queue import optimise, presence

TESTS = pathlib.Path(__file__).parent
ROOT = TESTS.parent
STORED = TESTS / "data" / "told"
CLOCK_S = 1_796_385_600.0  # 2026-12-04 08:00 UTC: later than all that is told
REPORT = re.compile(r"\(report [0-9a-f]{12}")
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
NEAR, DIGITS = 1e-6, 3
MOST = 24  # rows of one list
SHOWN = 12
ENVIRONMENT = {
    "GCODETOOL_LEDGER": "ledger.sqlite",
    "GCODETOOL_PROFILES": "own",
    "GCODETOOL_CACHE": "cache",
    "GCODETOOL_SNAPSHOTS": "off",
    "GCODETOOL_WHO": "workshop",
    "OPENBLAS_NUM_THREADS": "1",
    "TZ": "Europe/Vienna",
    "COLUMNS": "100",
    "LANG": "C.UTF-8",
}
UNSET = ("LC_ALL", "LC_TIME", "GCODETOOL_DEBUG", "NO_COLOR", "LANGUAGE")


# ---------------------------------------------------------------- a story


def told(name: str) -> str:
    """Return what a story tells today."""
    from told_stories import STORIES

    with tempfile.TemporaryDirectory(prefix="told-") as folder, _world(pathlib.Path(folder)):
        return "".join(_telling(STORIES[name], pathlib.Path(folder)))


def names() -> list[str]:
    """Return the names of all stories."""
    from told_stories import STORIES

    return list(STORIES)


@contextlib.contextmanager
def _world(folder: pathlib.Path) -> Iterator[None]:
    before = pathlib.Path.cwd()
    kept = {
        name: value for name, value in os.environ.items() if name not in UNSET and not name.endswith(SURE)
    }
    clock = mock.patch.multiple(time, time=lambda: CLOCK_S, time_ns=lambda: int(CLOCK_S * 1e9))
    # another version of the solver may propose other plans
    without = mock.patch.object(optimise, "solver", lambda: None)
    with mock.patch.dict(os.environ, kept | ENVIRONMENT, clear=True), clock, without:
        _in_this_zone()
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(before)
    _in_this_zone()


def _in_this_zone() -> None:
    """Let the clock on the wall be that of TZ, also where hours of presence are kept that another test asked for."""
    time.tzset()
    presence._block.cache_clear()


def _telling(script: str, folder: pathlib.Path) -> Iterator[str]:
    lines = iter(script.strip().splitlines())
    for line in lines:
        if not line.strip():
            continue
        if line.startswith("#"):
            yield f"\n{line}\n"
            continue
        verb, _, rest = line.partition(" ")
        words = [rest] if verb == "python" else shlex.split(rest)
        if verb == "file":
            content = [each.removeprefix("| ").removeprefix("|") for each in _until(lines, "end")]
            pathlib.Path(words[0]).parent.mkdir(parents=True, exist_ok=True)
            pathlib.Path(words[0]).write_text("\n".join(content) + "\n", encoding="utf-8")
            continue
        begun = time.process_time()
        said = _said(verb, words)
        if os.environ.get("TOLD_TIMES"):
            print(f"{time.process_time() - begun:6.2f} s  {line}", file=sys.stderr)
        yield f"$ {line}\n" + _plain(said, folder)


def _said(verb: str, words: list[str]) -> str:
    try:
        return VERBS[verb](*words) if verb in VERBS else gcodetool(verb, *words)
    except FileNotFoundError as error:
        return f"[no file {error.filename}]\n"


def _until(lines: Iterator[str], last: str) -> Iterator[str]:
    for line in lines:
        if line == last:
            return
        yield line


def _plain(text: str, folder: pathlib.Path) -> str:
    """Return a text without this machine's paths, and without blanks at the ends of lines."""
    from gcodetool import __version__
    from gcodetool.profiles import sample_folder

    text = text.replace(f"gcodetool {__version__}", "gcodetool VERSION")
    text = REPORT.sub(
        "(report DIGEST", text
    )  # of every figure to its last place, which differs between machines
    for path, word in (
        (folder.resolve(), "."),
        (folder, "."),
        (sample_folder().parent, "TREE"),
        (ROOT, "TREE"),
    ):
        text = text.replace(str(path), word)
    lines = (each.rstrip() for each in text.replace("\u00a0", " ").splitlines())
    return "".join(f"{each}\n" for each in lines if each)


# ---------------------------------------------------------------- its verbs


def gcodetool(*words: str) -> str:
    """Run one command; JSON comes a figure a line, standard error and the exit code are marked."""
    from gcodetool.cli.main import outcome

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = outcome(list(words))
    text = out.getvalue()
    if text.startswith(("{", "[")):
        objects = [text] if "\n " in text else text.splitlines()
        text = "".join(f"{line}\n" for each in objects for line in flat(json.loads(each)))
    text += "".join(f"! {each}\n" for each in err.getvalue().splitlines())
    return text + (f"[exit {code}]\n" if code else "")


def flat(value: object, indent: str = "") -> Iterator[str]:
    """Yield a JSON value as lines: a figure a line, entries that are alike as rows, of a long list some of them."""
    if isinstance(value, dict):
        for key, each in value.items():
            if not isinstance(each, dict | list) or not _inner(each):
                yield f"{indent}{key} = {_short(each)}"
                continue
            yield f"{indent}{key}: {len(each)}"
            yield from flat(each, indent + "  ")
    elif isinstance(value, list):
        rows = [dict(_leaves(each)) for each in value if isinstance(each, dict) and not _lists(each)]
        if len(rows) == len(value) and len({tuple(row) for row in rows}) == 1:
            yield indent + " | ".join(rows[0])
            some = (
                range(len(rows))
                if len(rows) <= MOST
                else [len(rows) * at // MOST for at in range(MOST)] + [-1]
            )
            yield from (indent + " | ".join(map(_short, rows[at].values())) for at in some)
            return
        for at, each in enumerate(value):
            yield f"{indent}[{at}]" if _inner(each) else f"{indent}[{at}] {_short(each)}"
            yield from flat(each, indent + "  ") if _inner(each) else ()


def _inner(value: object) -> bool:
    """Return whether a value needs lines of its own."""
    if isinstance(value, list):
        return (
            any(isinstance(each, dict | list) or len(str(each)) > 40 for each in value) or len(value) > MOST
        )
    return isinstance(value, dict) and bool(value)


def _lists(value: dict[str, object]) -> bool:
    return any(
        _lists(each) if isinstance(each, dict) else isinstance(each, list) and _inner(each)
        for each in value.values()
    )


def _leaves(value: dict[str, object], path: str = "") -> Iterator[tuple[str, object]]:
    for key, each in value.items():
        if isinstance(each, dict) and each:
            yield from _leaves(each, f"{path}{key}.")
        else:
            yield path + key, each


def _short(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def save(file: str, *words: str) -> str:
    """Run a command and keep what it prints in a file."""
    from gcodetool.cli.main import outcome

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        outcome(list(words))
    pathlib.Path(file).write_text(out.getvalue(), encoding="utf-8")
    return ""


def copy(source: str, target: str = "") -> str:
    """Take a file of the samples, of the tests' data or of the shipped profiles into the story's folder."""
    places = (ROOT / "sample_gcode", TESTS / "data", ROOT / "profiles")
    path = next(place / source for place in places if (place / source).exists())
    goal = pathlib.Path(target or path.name.removesuffix(".xz"))
    goal.parent.mkdir(parents=True, exist_ok=True)
    if path.is_dir():
        shutil.copytree(path, goal)
    else:
        goal.write_bytes(lzma.decompress(path.read_bytes()) if path.suffix == ".xz" else path.read_bytes())
    return ""


def show(file: str, least: str = "1", most: str = "400") -> str:
    """Show lines of a file; of JSON its figures."""
    text = pathlib.Path(file).read_text(encoding="utf-8")
    lines = list(flat(json.loads(text))) if file.endswith(".json") else text.splitlines()
    return "".join(f"{each}\n" for each in lines[int(least) - 1 : int(most)])


def changed(before: str, after: str) -> str:
    """Show the lines that one file has and the other has not, with the number of the old line they stand at."""
    old, new = (
        pathlib.Path(each).read_text(encoding="utf-8", errors="replace").splitlines()
        for each in (before, after)
    )
    return "".join(_changes(old, new))


def _changes(old: list[str], new: list[str]) -> Iterator[str]:
    """Yield what was changed in a few places of a long file: the shortest way back to three lines that are alike."""
    at = to = 0
    while at < len(old) or to < len(new):
        if old[at : at + 1] == new[to : to + 1]:
            at, to = at + 1, to + 1
            continue
        gone, come = next(
            (total - more, more)
            for total in range(1, len(old) + len(new) + 1)
            for more in range(total, -1, -1)
            if old[at + total - more : at + total - more + 3] == new[to + more : to + more + 3]
        )
        yield f"at line {at + 1}:\n"
        yield from (f"-{each}\n" for each in old[at : at + gone])
        yield from (f"+{each}\n" for each in new[to : to + come])
        at, to = at + gone, to + come


def page(file: str) -> str:
    """Show a page's words, and the figures of its pictures."""
    reader = PageWords()
    reader.feed(pathlib.Path(file).read_text(encoding="utf-8"))
    return "".join(f"{each}\n" for each in reader.told())


def python(expression: str) -> str:
    """Evaluate an expression with the package at hand, and show its value."""
    import gcodetool as package

    return f"{eval(expression, {'gcodetool': package})}\n"


def world(name: str) -> str:
    """Make the jobs and spools of ``queue_world``."""
    import queue_world

    getattr(queue_world, name)(pathlib.Path.cwd())
    return ""


def ring(name: str, layers: str, *tools: str) -> str:
    """Make a job of rings and its spool, as ``review_cases`` does."""
    from review_cases import written

    written(pathlib.Path.cwd(), name=name, layers=int(layers), tools=tuple(map(int, tools)))
    return ""


def table(name: str) -> str:
    """Show a table of ``told_tables`` or ``told_inputs``: rules that no command reaches cheaply."""
    from told_inputs import INPUTS
    from told_tables import TABLES

    return "".join(f"{each}\n" for each in {**TABLES, **INPUTS}[name]())


def pages(*paths: str) -> str:
    """Show the words and fields of pages that ``serve`` gives."""
    from serving import Client, served

    lines = []
    with served() as port:
        client = Client(port, patience_s=600.0)  # traced, it takes its time
        for path in paths:
            answer = client.get(path)
            reader = PageWords()
            reader.feed(answer.body.decode())
            lines += [f"--- {path}: {answer.status}", *reader.told()]
    return "".join(f"{each.replace(str(port), 'PORT')}\n" for each in lines)


VERBS: dict[str, Callable[..., str]] = {
    each.__name__: each for each in (save, copy, show, changed, page, python, world, ring, table, pages)
}


class PageWords(html.parser.HTMLParser):
    """The words of a page, a line for each block, and the figures of what is drawn."""

    INLINE = frozenset(
        ("a", "abbr", "b", "br", "code", "em", "i", "small", "span", "strong", "sub", "sup", "tspan", "wbr")
    )
    LEFT = frozenset(("style", "script"))
    FIGURES = ("d", "points", "transform", "x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "width", "height",
               "viewbox", "value", "min", "max", "step", "href", "name", "colspan", "rowspan", "datetime", "action",
               "open", "checked", "style", "class", "type", "title", "aria-label", "fill", "stroke")  # fmt: skip
    MANY = 12

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.words = ""
        self.skipped = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in self.LEFT:
            self.skipped = tag
        if tag not in self.INLINE:
            self._end()
        figures = [each for each in self.FIGURES if (tag, each) != ("text", "transform")]
        shown = [f"{key}={_figures(value or '')}" for key, value in attrs if key in figures]
        told = [each for each in shown if any(sign.isdigit() for sign in each)] or shown[
            : tag in ("input", "form")
        ]
        if told and tag not in ("html", "meta", "link"):
            self.words += f" <{tag} {' '.join(told)}> "

    handle_startendtag = handle_starttag

    def handle_endtag(self, tag: str) -> None:
        if tag == self.skipped:
            self.skipped = ""
        if tag not in self.INLINE:
            self._end()

    def handle_data(self, data: str) -> None:
        if not self.skipped:
            self.words += data

    def _end(self) -> None:
        if words := " ".join(self.words.split()):
            self.lines.append(words)
        self.words = ""

    def told(self) -> list[str]:
        self._end()
        return self.lines


def _figures(value: str) -> str:
    """Return an attribute; of a long curve how many figures, their ends, range and mean."""
    if len(value) > 60 and not set(value) & set(" ,;/"):
        return "(a key)"  # of a form: another one each time
    found = [float(each) for each in NUMBER.findall(value)]
    if len(found) <= PageWords.MANY:
        return value if len(value) < 160 else f"{value[:60]}…"
    ends = " ".join(f"{each:g}" for each in (*found[:3], *found[-3:]))
    return (
        f"{len(found)} figures, {ends}, {min(found):g} to {max(found):g}, "
        f"mean {statistics.fmean(found):.6g}, spread {statistics.pstdev(found):.6g}"
    )


# ---------------------------------------------------------------- the comparison


def differences(was: str, is_: str) -> list[str]:
    """Return what differs, for people: the command it stands under, what was told, what is."""
    old, new = was.splitlines(), is_.splitlines()
    if len(old) == len(new):
        places = [(at, at + 1, at, at + 1) for at in range(len(old)) if not same(old[at], new[at])]
    else:
        matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
        places = [place for kind, *place in matcher.get_opcodes() if kind != "equal"]  # type: ignore[misc]
        places = [each for each in places if not _all_same(old[each[0] : each[1]], new[each[2] : each[3]])]
    found: list[str] = []
    under = ""
    for first, last, begin, end in places[:SHOWN]:
        command = next((line for line in reversed(old[:last]) if line.startswith("$ ")), "")
        found += [command] if command != under else []
        under = command
        found += [f"  was | {each}" for each in old[first:last][:SHOWN]]
        found += [f"  is  | {each}" for each in new[begin:end][:SHOWN]]
    if len(places) > SHOWN:
        found.append(f"and {len(places) - SHOWN} places more")
    return found


def _all_same(old: list[str], new: list[str]) -> bool:
    return len(old) == len(new) and all(map(same, old, new))


def same(was: str, is_: str) -> bool:
    """Return whether two lines say the same: the words exactly, the numbers nearly.

    >>> same("arrives with 0.183 wt %", "arrives with 0.184 wt %"), same("2 spools", "3 spools"), same("0.18", "0.1812")
    (True, False, False)
    """
    if was == is_:
        return True
    if NUMBER.sub("#", was) != NUMBER.sub("#", is_):
        return False
    return all(map(_near, NUMBER.findall(was), NUMBER.findall(is_)))


def _near(was: str, is_: str) -> bool:
    if was == is_:
        return True
    first, second = float(was), float(is_)
    if "." not in was + is_:
        return False
    if math.isclose(first, second, rel_tol=NEAR, abs_tol=1e-12):
        return True
    decimals = [len(each.partition(".")[2]) for each in (was, is_) if "e" not in each]
    digits = min(len(each.replace(".", "").strip("-").lstrip("0")) for each in (was, is_))
    alike = len(set(decimals)) == 1 and len(decimals) == 2 and digits >= DIGITS
    return alike and abs(first - second) <= 1.01 * 10.0 ** -decimals[0]


def stored(name: str) -> str:
    """Return what a story told when it was stored."""
    path = STORED / f"{name}.txt"
    return path.read_text(encoding="utf-8") if path.exists() else ""


def reach(wanted: Iterable[str]) -> dict[str, list[str]]:
    """Return the sources below the root that each story enters, by the functions that it calls."""
    from told_inputs import GUARDED
    from told_stories import LONG

    found: dict[str, list[str]] = {}
    for name in wanted:
        entered: set[str] = set()

        def look(frame: object, event: str, arg: object, entered: set[str] = entered) -> None:
            code = frame.f_code  # type: ignore[attr-defined]
            if code.co_flags & inspect.CO_OPTIMIZED:  # a function, no module that is loaded
                entered.add(code.co_filename)

        sys.settrace(look)
        threading.settrace(look)
        try:
            told(name)
        finally:
            sys.settrace(None)
            threading.settrace(None)  # type: ignore[arg-type]
        package = ROOT / "gcodetool"
        inside = [path for each in entered if (path := pathlib.Path(each)).is_relative_to(package)]
        if name == "table-guards":  # it looks at figures, and enters nothing
            inside += [package.joinpath(*each.split(".")).with_suffix(".py") for each in GUARDED]
        about = [
            path for path in inside if name not in LONG or path.relative_to(package).parts[0] in LONG[name]
        ]
        found[name] = sorted({str(path.relative_to(ROOT)) for path in about})
    return found


def main() -> int:
    """Compare, or write anew."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--write", action="store_true", help="make the files anew")
    parser.add_argument("--reach", action="store_true", help="print the sources that each story enters")
    parser.add_argument("names", nargs="*")
    asked = parser.parse_args()
    sys.path.insert(0, str(TESTS))
    wanted = asked.names or names()
    if asked.reach:
        print(json.dumps(reach(wanted)))
        return 0
    wrong = False
    STORED.mkdir(exist_ok=True)
    for name in wanted:
        begun = time.process_time()
        now = told(name)
        found = differences(stored(name), now) if stored(name) else ["new"]
        took = time.process_time() - begun
        print(
            f"{name}: {len(now) / 1000:.0f} kB, {took:.1f} s, {'differs' if found else 'as it was'}",
            file=sys.stderr,
        )
        print("\n".join(found))
        wrong = wrong or bool(found)
        if asked.write:
            (STORED / f"{name}.txt").write_text(now, encoding="utf-8")
    return int(wrong and not asked.write)


if __name__ == "__main__":
    sys.exit(main())
