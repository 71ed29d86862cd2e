"""Do the tests notice a changed rule?  Random mutants of the package, each run against the tests of its package.

    python docs/experiments/mutants.py --count 40 --seed 1
    python docs/experiments/mutants.py --count 40 --seed 1 --only 7,12     # those again, after a test was written
    python tests/told.py --reach > reach.json                              # for several draws: --reach reach.json

A mutant is one small change of one source: a comparison's bound, a sum's sign, min for max, a constant, a truth
value.  It dies when a test of its own (`tests_of`) fails on it and passes without it: the tests of its package, and
the stories of `tests/told.py` that enter its source.  Kernels are left out (their twins
hold them); so are messages, docstrings, type hints, and what cannot change an answer: how a dataclass is made and
shown, ``zip``'s ``strict``, the size of a cache, how a text of help or a chart looks (`NO_ANSWER`), and whether a
tolerance of a thousandth or less is itself within it: no measured number lies on it.  Works on a copy
with its compiled kernels; the tree itself is not touched.
"""

import argparse
import ast
import importlib.util
import json
import pathlib
import random
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

ROOT: Final = pathlib.Path(__file__).parents[2]
PROJECT: Final = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
KERNELS: Final = {
    source for each in PROJECT["tool"]["setuptools"]["ext-modules"] for source in each["sources"]
}
LEFT_OUT: Final = ("_build.py", "__main__.py", "__init__.py")
COMPARISONS: Final = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
SUMS: Final = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
NAMES: Final = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
# Arguments that no answer rests on: what is kept for speed, what a dataclass or a help shows, how a chart is drawn.
NO_ANSWER: Final = frozenset(
    ("maxsize", "repr", "show_default", "fontsize", "linewidth", "lw", "alpha", "zorder", "markersize", "dpi")
)
TOLERANCE: Final = 1e-3
TIMEOUT_S: Final = 900


def changes(tree: ast.Module) -> Iterator[tuple[ast.AST, str]]:
    """Yield (node, what) for every change that can be made."""
    skipped = {id(each) for node in ast.walk(tree) for part in _no_rules(node) for each in ast.walk(part)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS and not _tolerance(node):
            yield node, "comparison"
        elif isinstance(node, ast.BinOp) and type(node.op) in SUMS and not _texts(node):
            yield node, "sum"
        elif isinstance(node, ast.BoolOp):
            yield node, "and-or"
        elif isinstance(node, ast.Name) and node.id in NAMES and isinstance(node.ctx, ast.Load):
            yield node, "name"
        elif isinstance(node, ast.Attribute) and node.attr in NAMES:
            yield node, "attribute"
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
            yield node, "constant"


def _no_rules(node: ast.AST) -> list[ast.AST]:
    """Return the parts of a node in which nothing is a rule."""
    if isinstance(node, ast.JoinedStr):
        return [node]
    if isinstance(node, ast.AnnAssign | ast.arg):
        return [node.annotation] if node.annotation else []
    if isinstance(node, ast.ClassDef):
        return [each for each in node.decorator_list if "dataclass" in ast.unparse(each)]
    if isinstance(node, ast.Call):
        pairs = isinstance(node.func, ast.Name) and node.func.id == "zip"
        return [word for word in node.keywords if pairs or word.arg in NO_ANSWER]
    return []


def _tolerance(node: ast.Compare) -> bool:
    """Return whether a comparison is with a tolerance, of which only the bound would change."""
    bound = node.comparators[0]
    orders = isinstance(node.ops[0], ast.Lt | ast.LtE | ast.Gt | ast.GtE)
    return (
        orders
        and isinstance(bound, ast.Constant)
        and type(bound.value) is float
        and 0 < bound.value <= TOLERANCE
    )


def _texts(node: ast.BinOp) -> bool:
    """Return whether an operation is on texts: joining words is no rule."""
    return any(_is_text(side) for side in (node.left, node.right))


def _is_text(node: ast.AST) -> bool:
    if isinstance(node, ast.BinOp):
        return _texts(node)
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def change(node: ast.AST) -> str:
    """Change a node in place, and say how."""
    if isinstance(node, ast.Compare):
        node.ops[0] = COMPARISONS[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp):
        node.op = SUMS[type(node.op)]()
    elif isinstance(node, ast.BoolOp):
        node.op = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
    elif isinstance(node, ast.Name):
        node.id = NAMES[node.id]
    elif isinstance(node, ast.Attribute):
        node.attr = NAMES[node.attr]
    elif isinstance(node, ast.Constant):
        value = node.value
        node.value = (not value) if isinstance(value, bool) else value + 1 if value in (0, 1) else value * 2
    return ast.unparse(node)


def tests_of(source: pathlib.Path, *, wide: bool = False) -> list[str]:
    """Return the tests of a source: its doctests, those named after it, its first word or its package, or that name it.

    *wide*: those besides that name its package.
    """
    words = source.relative_to(ROOT / "gcodetool").with_suffix("").parts
    module, package = ".".join(("gcodetool", *words)), ".".join(("gcodetool", *words[:-1]))
    naming = re.compile(
        rf"from {re.escape(package)} import [^\n]*\b{re.escape(words[-1])}\b|{re.escape(module)}\b"
    )
    stems = dict.fromkeys(part for word in words for part in (word, word.partition("_")[0]))
    named, near, far = [], [], []
    for path in sorted((ROOT / "tests").glob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        name = str(path.relative_to(ROOT))
        if any(
            re.search(rf"_{stem}(_|\.)" if len(stem) < 7 else f"_{stem[:7]}", path.name) for stem in stems
        ):
            named.append(name)
        elif naming.search(text) or any(f'"{stem}.md"' in text for stem in stems):  # a page of its name
            near.append(name)
        elif package + "." in text or f"from {package} import" in text:
            far.append(name)
    return [str(source.relative_to(ROOT)), *named, *near, *(far if wide or not named + near else [])]


def stories_of(source: pathlib.Path, reach: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the held outputs whose stories enter a source; all of them where none does: it may hold data alone."""
    found = [name for name, entered in reach.items() if str(source.relative_to(ROOT)) in entered]
    return [f"tests/test_told.py::test_told_is_what_is_stored[{name}]" for name in found or reach]


class Bench:
    """A copy of the tree, in which one source at a time is changed and tested."""

    def __init__(self, folder: pathlib.Path, reach: pathlib.Path | None) -> None:
        self.copy = folder / "tree"
        # copies keep their times: a compiled kernel must not look older than its source
        shutil.copytree(
            ROOT, self.copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "build")
        )
        self.unfit: set[str] = set()  # tests that fail in the copy without any change
        if reach is None:
            words = [sys.executable, "tests/told.py", "--reach"]
            done = subprocess.run(
                words, cwd=self.copy, env=self._environment(), stdout=subprocess.PIPE, check=True
            )
        self.reach: dict[str, list[str]] = json.loads(done.stdout if reach is None else reach.read_bytes())

    def fate(self, source: pathlib.Path, text: str, *, wide: bool) -> str:
        """Return LIVES where no test fails on the changed text; else what ended it."""
        target = self.copy / source.relative_to(ROOT)
        before = target.read_text(encoding="utf-8")
        own, *tests = tests_of(source, wide=wide)
        wanted = [own, *stories_of(source, self.reach), *tests]  # the quicker ones first
        while True:
            _put(target, text)
            try:
                failed = self._failed(wanted)
            except subprocess.TimeoutExpired:
                return "dies (never ends)"
            finally:
                _put(target, ast.unparse(ast.parse(before)))
            try:
                guilty = failed and self._failed(failed)
            finally:
                _put(target, before)
            if failed and not guilty:
                return f"dies by {failed[0]}"
            if set(guilty) <= self.unfit:  # none, or nothing new
                return "LIVES"
            self.unfit |= set(guilty)

    def _environment(self) -> dict[str, str]:
        plain = {"PATH": "/usr/bin:/bin", "LANG": "C.UTF-8", "GCODETOOL_HYPOTHESIS": "mutants"}
        return plain | {"PYTHONPATH": str(self.copy), "HOME": str(self.copy)}

    def _failed(self, wanted: list[str]) -> list[str]:
        """Run tests up to the first failure, and return which that was."""
        if self.unfit.issuperset(wanted):
            return []
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
            + [f"--deselect={each}" for each in sorted(self.unfit)]
            + [
                each for each in wanted if each not in self.unfit
            ],  # a file that cannot be read is named whole
            cwd=self.copy,
            env=self._environment(),
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        if done.returncode in (0, 5):
            return []
        named = re.findall(r"^(?:FAILED|ERROR) (\S+(?:\[.*?\])?)(?: - |$)", done.stdout, re.MULTILINE)
        return named or wanted


def _put(target: pathlib.Path, text: str) -> None:
    target.write_text(text, encoding="utf-8")
    # within a second and of one length, the old byte code would count as the new text's
    pathlib.Path(importlib.util.cache_from_source(str(target))).unlink(missing_ok=True)


def drawn(count: int, seed: int) -> Iterator[tuple[int, pathlib.Path, str, str]]:
    """Yield (number, source, the changed text, what was changed); the packages in turn."""
    chance = random.Random(seed)
    sources = [
        path
        for path in sorted((ROOT / "gcodetool").rglob("*.py"))
        if path.name not in LEFT_OUT and str(path.relative_to(ROOT)) not in KERNELS
    ]
    packages = sorted({path.parent for path in sources})
    seen: set[tuple[pathlib.Path, str]] = set()
    for number in range(1, count + 1):
        package = packages[(number - 1) % len(packages)]
        while True:
            source = chance.choice([path for path in sources if path.parent == package])
            tree = ast.parse(source.read_text(encoding="utf-8"))
            found = list(changes(tree))
            if not found:
                continue
            node, _ = chance.choice(found)
            line, was = node.lineno, ast.unparse(node)  # type: ignore[attr-defined]
            now = change(node)
            text = ast.unparse(tree)
            if (source, text) not in seen:
                break
        seen.add((source, text))
        yield number, source, text, f"{source.relative_to(ROOT)}:{line}: {was} -> {now}"


def main() -> None:
    """Draw mutants and count the dead."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="numbers, separated by commas: these of the draw alone")
    parser.add_argument("--wide", action="store_true", help="run every test that names the package (slow)")
    parser.add_argument(
        "--reach", type=pathlib.Path, help="what 'tests/told.py --reach' wrote; left out: found out first"
    )
    asked = parser.parse_args()
    only = {int(each) for each in asked.only.split(",") if each}
    dead = ran = 0
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(pathlib.Path(folder), asked.reach)
        for number, source, text, what in drawn(asked.count, asked.seed):
            if only and number not in only:
                continue
            fate = bench.fate(source, text, wide=asked.wide)
            ran += 1
            dead += fate != "LIVES"
            print(f"{number:3} {what}: {fate}", flush=True)
    print(f"{dead} of {ran} die")


if __name__ == "__main__":
    main()
