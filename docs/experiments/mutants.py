"""Do the tests notice a changed rule?  Random mutants of the package, each run against the tests of its package.

    python docs/experiments/mutants.py --count 40 --seed 1

A mutant is one small change of one source: a comparison's bound, a sum's sign, min for max, a constant, a truth
value.  It dies when a test of its package fails on it.  Kernels are left out (their twins hold them); so are
messages, docstrings and type hints.  Works on a copy; the tree itself is not touched.
"""

import argparse
import ast
import pathlib
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from typing import Final

ROOT: Final = pathlib.Path(__file__).parents[2]
KERNELS: Final = ("scan.py", "planner.py", "solver.py")
LEFT_OUT: Final = ("_build.py", "__main__.py", "__init__.py")
COMPARISONS: Final = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
SUMS: Final = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
NAMES: Final = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
TIMEOUT_S: Final = 900


def changes(tree: ast.Module) -> Iterator[tuple[ast.AST, str]]:
    """Yield (node, what) for every change that can be made."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr | ast.AnnAssign | ast.arg):
            hidden = [node.annotation] if not isinstance(node, ast.JoinedStr) and node.annotation else []
            for part in [node] if isinstance(node, ast.JoinedStr) else hidden:
                skipped |= {id(each) for each in ast.walk(part)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS:
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


def _texts(node: ast.BinOp) -> bool:
    """Return whether an operation is on texts: joining words is no rule."""
    return any(isinstance(side, ast.JoinedStr) or _is_text(side) for side in (node.left, node.right))


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


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


def tests_of(source: pathlib.Path) -> list[str]:
    """Return the tests of a source: those that name its module first, then those of its package."""
    module = ".".join(("gcodetool", *source.relative_to(ROOT / "gcodetool").with_suffix("").parts))
    package = module.rsplit(".", 1)[0]
    near, far = [], []
    for path in sorted((ROOT / "tests").glob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        name = str(path.relative_to(ROOT))
        short = re.escape(module.rsplit(".", 1)[1])
        if module in text or re.search(rf"from {re.escape(package)} import [^\n]*\b{short}\b", text):
            near.append(name)
        elif package + "." in text or f"from {package} import" in text:
            far.append(name)
    return [*near, *far, str(source.relative_to(ROOT))]


def survives(copy: pathlib.Path, source: pathlib.Path, text: str) -> bool:
    """Return whether no test fails on the changed text."""
    target = copy / source.relative_to(ROOT)
    before = target.read_text(encoding="utf-8")
    target.write_text(text, encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests_of(source)],
            cwd=copy,
            env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(copy), "HOME": str(copy), "LANG": "C.UTF-8"},
            capture_output=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        return done.returncode in (0, 5)
    except subprocess.TimeoutExpired:
        return False
    finally:
        target.write_text(before, encoding="utf-8")


def main() -> None:
    """Draw mutants and count the dead."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    chance = random.Random(asked.seed)
    sources = [
        path for path in sorted((ROOT / "gcodetool").rglob("*.py")) if path.name not in (*KERNELS, *LEFT_OUT)
    ]
    packages = sorted({path.parent for path in sources})
    dead = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = pathlib.Path(folder) / "tree"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "build"))
        for number in range(1, asked.count + 1):
            package = packages[(number - 1) % len(packages)]  # all of them in turn
            source = chance.choice([path for path in sources if path.parent == package])
            text = source.read_text(encoding="utf-8")
            tree = ast.parse(text)
            found = list(changes(tree))
            if not found:
                continue
            node, _ = chance.choice(found)
            line, was = node.lineno, ast.unparse(node)  # type: ignore[attr-defined]
            now = change(node)
            lives = survives(copy, source, ast.unparse(tree))
            dead += not lives
            word = "LIVES" if lives else "dies"
            print(f"{number:3} {word:5} {source.relative_to(ROOT)}:{line}: {was} -> {now}", flush=True)
    print(f"{dead} of {asked.count} die")


if __name__ == "__main__":
    main()
