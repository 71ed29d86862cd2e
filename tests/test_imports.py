"""Imports run one way and in no circle, public names are there, kernels are fresh.

``GCODETOOL_UPDATE_DOCS=1 pytest tests/test_imports.py`` draws the graph in DEVELOPERS.md anew.
"""

import ast
import importlib
import os
import pathlib
import subprocess
import sys
import tomllib
from collections.abc import Collection

import pytest

import gcodetool
from gcodetool.moisture import solver
from gcodetool.moisture.kernel import KERNEL
from gcodetool.queue import forecast_store

PACKAGE = pathlib.Path(gcodetool.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))
# each package or module, and those it may import
MAY = {
    "quickdata": set(),
    "quickpattern": set(),
    "shell": set(),
    "errors": set(),
    "changes": set(),
    "puremode": set(),
    "heldfile": set(),
    "textfile": {"errors", "heldfile"},
    "quantities": set(),
    "moments": {"quantities", "textfile"},
    "tomlfile": {"errors", "textfile", "moments", "quantities"},
    "profiledata": {"errors", "tomlfile"},
    "userdefaults": {"errors", "tomlfile", "profiledata"},
    "profilefile": {"errors", "tomlfile", "profiledata"},
    "profiles": {"tomlfile", "profiledata", "profilefile"},
    "machinenotes": {"errors", "textfile", "tomlfile", "profiles", "profilefile"},
    "machinegcode": {"machinenotes", "tomlfile", "profilefile"},
    "machineklipper": {"machinenotes", "tomlfile"},
    "machinefile": {
        "errors",
        "tomlfile",
        "profiles",
        "profilefile",
        "machinenotes",
        "machinegcode",
        "machineklipper",
    },
    "cachefile": {"textfile"},
    "__main__": {"cli"},
    "gcode": {"changes", "errors", "heldfile", "puremode", "textfile"},
    "motion": {"errors", "profiles", "puremode", "gcode"},
    "moisture": {"errors", "profiles", "puremode", "cachefile"},
    "drying": {"errors", "profiles", "moisture", "motion", "judge"},
    "ledger": {
        "changes",
        "errors",
        "heldfile",
        "profiledata",
        "profiles",
        "moments",
        "quantities",
        "textfile",
        "tomlfile",
        "cachefile",
        "moisture",
    },
    "storage": {"errors", "profiles", "moisture"},
    "slicerfiles": {"errors", "profiles", "textfile", "tomlfile"},
    "judge": {"errors", "profiles", "gcode", "motion", "moisture"},
    "tweaks": {"errors", "profiles", "gcode", "motion", "moisture", "slicerfiles", "judge"},
    "block": {"errors", "moments", "profiles", "gcode", "motion", "moisture", "judge", "tweaks"},
    "queue": {
        "errors",
        "textfile",
        "cachefile",
        "tomlfile",
        "profiles",
        "gcode",
        "motion",
        "moisture",
        "drying",
        "judge",
    },
    "limits": {"errors", "profiles", "tomlfile", "cachefile", "moisture"},
    "series": {"errors", "tomlfile", "profiles", "moisture", "drying"},
    "report": {
        "series",
        "userdefaults",
        "errors",
        "moments",
        "quantities",
        "textfile",
        "profiles",
        "limits",
        "queue",
        "block",
        "judge",
        "drying",
        "storage",
        "moisture",
        "motion",
        "gcode",
    },
    "app": {
        "changes",
        "series",
        "tomlfile",
        "slicerfiles",
        "limits",
        "cachefile",
        "profiledata",
        "errors",
        "heldfile",
        "textfile",
        "profiles",
        "machinefile",
        "gcode",
        "ledger",
        "queue",
        "block",
        "tweaks",
        "judge",
        "report",
        "moisture",
        "motion",
        "drying",
        "storage",
    },
    # no physics: what commands note goes straight to the ledger's writers, a wrapper for each would add nothing
    "cli": {
        "series",
        "app",
        "block",
        "changes",
        "errors",
        "gcode",
        "judge",
        "ledger",
        "profiles",
        "moments",
        "quantities",
        "queue",
        "report",
        "serve",
        "textfile",
        "tweaks",
        "userdefaults",
    },
    "serve": {"app", "errors", "quantities", "report"},
    "_build": {"cli"},  # manual pages are made from the help of the commands
}


def module_of(source: pathlib.Path) -> str:
    """Return the name that a source is imported by."""
    parts = source.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(source): source for source in SOURCES}


def imports(text: str, *, modules: Collection[str], typing: bool) -> set[str]:
    """Return which of *modules* a source imports, in functions too; *typing*: also those for annotations only."""
    found: set[str] = set()

    def look(node: ast.AST) -> None:
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names if alias.name in modules)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.update(name for name in (whole, node.module) if name in modules)
                if whole in modules:  # the package is only the way to it
                    found.discard(node.module)
        elif isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING") and not typing:
            for inner in node.orelse:
                look(inner)
            return
        for inner in ast.iter_child_nodes(node):
            look(inner)

    look(ast.parse(text))
    return found


def import_graph(*, typing: bool) -> dict[str, set[str]]:
    """Return what each file of the package imports of it."""
    return {
        name: imports(source.read_text(encoding="utf-8"), modules=MODULES, typing=typing) - {name}
        for name, source in MODULES.items()
    }


def reached(graph: dict[str, set[str]], start: str) -> set[str]:
    """Return all that a file needs, directly and through others."""
    found: set[str] = set()
    ahead = [start]
    while ahead:
        new = graph[ahead.pop()] - found
        found |= new
        ahead += new
    return found


def circles(graph: dict[str, set[str]]) -> list[set[str]]:
    """Return the groups of files that need each other, directly or through others."""
    needs = {name: reached(graph, name) for name in graph}
    groups = [{other for other in needs[name] if name in needs[other]} for name in graph]
    return [group for at, group in enumerate(groups) if group and group not in groups[:at]]


# files beside the packages that are drawn as one
DRAWN_AS = {
    "profilefile": "profiles",
    "machinegcode": "machine*",
    "machineklipper": "machine*",
    "machinefile": "machine*",
    "machinenotes": "machine*",
}
GUIDE = PACKAGE.parent / "DEVELOPERS.md"
GRAPH_BEGIN, GRAPH_END = "<!-- import graph: begin -->\n```text\n", "```\n<!-- import graph: end -->\n"


def package_graph(graph: dict[str, set[str]]) -> dict[str, set[str]]:
    """Return what each package imports of the others, from what each file imports."""
    found: dict[str, set[str]] = {}

    def package(name: str) -> str:
        part = name.split(".")[1]
        return DRAWN_AS.get(part, part)

    for name, needs in graph.items():
        if "._" not in name and "." in name:  # not the entry points: what they import is said in words
            found.setdefault(package(name), set()).update(package(need) for need in needs if "." in need)
    return {name: needs - {name} for name, needs in found.items()}


def drawn(graph: dict[str, set[str]]) -> str:
    """Return a graph as text, one line for each package: whoever imports stands above what it imports."""
    ahead, order = dict(graph), list[str]()
    while ahead:
        free = sorted(name for name in ahead if not any(name in needs for needs in ahead.values()))
        assert free, f"these import each other: {sorted(ahead)}"
        order += free
        for name in free:
            del ahead[name]
    wide = max(map(len, order))
    place = {name: index for index, name in enumerate(order)}
    return "".join(
        f"{name:<{wide}}  -> {', '.join(sorted(graph[name], key=place.__getitem__)) or 'nothing'}\n"
        for name in order
    )


def test_the_picture_for_contributors_is_the_import_graph() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    before, _, rest = text.partition(GRAPH_BEGIN)
    shown, _, after = rest.partition(GRAPH_END)
    real = drawn(package_graph(import_graph(typing=True)))
    if os.environ.get("GCODETOOL_UPDATE_DOCS"):
        GUIDE.write_text(before + GRAPH_BEGIN + real + GRAPH_END + after, encoding="utf-8")
        shown = real
    assert shown == real, "draw it anew: GCODETOOL_UPDATE_DOCS=1 pytest tests/test_imports.py"


def test_the_picture_is_drawn_from_above_to_below() -> None:
    files = {
        "g": {"g.app.a"},
        "g.app.a": {"g.queue.b", "g.errors"},
        "g.queue.b": {"g.errors"},
        "g.errors": set(),
    }
    assert drawn(package_graph(files)) == (
        "app     -> queue, errors\n"  # what imports nothing stands last
        "queue   -> errors\n"
        "errors  -> nothing\n"
    )
    with pytest.raises(AssertionError, match="import each other: \\['a', 'b'\\]"):
        drawn({"a": {"b"}, "b": {"a"}})


def test_every_package_and_every_file_stands_in_the_table_for_contributors() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    rows = {
        line.split("|")[1].strip(): line for line in text.splitlines() if line.startswith("| `gcodetool/")
    }
    for source in SOURCES:
        path = source.relative_to(PACKAGE)
        if source.stem in ("__init__", "__main__", "_build"):
            continue
        if len(path.parts) == 1:
            assert f"`{path}`" in text, path
        elif len(path.parts) == 2:
            assert f"`{source.stem}`" in rows[f"`gcodetool/{path.parts[0]}/`"], path


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(source: pathlib.Path) -> None:
    package = source.relative_to(PACKAGE).with_suffix("").parts[0]
    if package == "__init__":
        return
    found = imports(source.read_text(encoding="utf-8"), modules=MODULES, typing=True) - {"gcodetool"}
    assert {name.split(".")[1] for name in found} <= MAY[package] | {
        package,
        "quickdata",
        "quickpattern",
        "shell",
    }  # as the standard library's


def test_no_files_import_each_other_in_a_circle() -> None:
    assert circles(import_graph(typing=False)) == []
    # what annotations name counts too, but for the package itself, which names the commands' functions
    door = "gcodetool"
    named = import_graph(typing=True)
    assert circles({name: needs - {door} for name, needs in named.items() if name != door}) == []


def test_circles_are_found_also_in_functions_and_not_for_annotations() -> None:
    texts = {
        "a": "from b import x",
        "b": "def f():\n    import c",
        "c": "import a.d\nimport a",
        "a.d": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import c\nelse:\n    import e",
        "e": "from a import d",
    }
    graph = {name: imports(text, modules=texts, typing=False) for name, text in texts.items()}
    assert graph == {"a": {"b"}, "b": {"c"}, "c": {"a", "a.d"}, "a.d": {"e"}, "e": {"a.d"}}
    assert circles(graph) == [{"a", "b", "c"}, {"a.d", "e"}]
    assert imports(texts["a.d"], modules=texts, typing=True) == {"c", "e"}


def test_no_two_public_classes_have_one_name() -> None:
    where: dict[str, list[str]] = {}
    for name, source in MODULES.items():
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if name == "gcodetool.moisture.solver_numpy":  # the kernel's other form
                continue
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where.setdefault(node.name, []).append(name)
    twice = {name: modules for name, modules in where.items() if len(modules) > 1}
    assert not twice


def test_kept_forecasts_hang_on_all_the_code_that_makes_them() -> None:
    graph = import_graph(typing=False)
    graph["gcodetool.queue.summary"] = set()  # a job is known by its content
    needed = {
        name.split(".")[1] for name in reached(graph, "gcodetool.queue.spool_simulation") if "." in name
    }
    files = {
        "quickdata",
        "quickpattern",
        "shell",
        "changes",
        "errors",
        "textfile",
        "moments",
        "quantities",
        "tomlfile",
        "profiles",
        "profiledata",
        "profilefile",
        "cachefile",
        "puremode",  # holds nothing
        "heldfile",
    }  # what they hold is in the key
    assert needed - files <= set(forecast_store.PACKAGES)


def test_physics_and_motion_know_no_clock_and_no_database() -> None:
    for package in ("motion", "moisture", "gcode"):
        for source in (PACKAGE / package).glob("*.py"):
            text = source.read_text(encoding="utf-8")
            assert "time.time(" not in text
            assert "datetime.now(" not in text
            assert "sqlalchemy" not in text


def test_constants_are_defined_in_one_place() -> None:
    """A gas constant or an hour stands in one file; the kernel's C names take their values from there."""
    home = PACKAGE / "moisture" / "constants.py"
    assert "HOUR_S" in assigned(home)
    for source in SOURCES:
        if source != home:
            again = assigned(home).keys() & assigned(source).keys()
            assert not {name for name in again if "constants." not in assigned(source)[name]}, source


def assigned(source: pathlib.Path) -> dict[str, str]:
    """Return the names that a module assigns at its top, and the text of their values."""
    found = {}
    for node in ast.parse(source.read_text(encoding="utf-8")).body:
        for target in [node.target] if isinstance(node, ast.AnnAssign) else getattr(node, "targets", []):
            if isinstance(target, ast.Name) and node.value is not None:
                found[target.id] = ast.unparse(node.value)
    return found


def test_public_names_are_no_packages() -> None:
    """Importing a package makes it an attribute, which would stand in a function's way."""
    packages = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert not packages & set(gcodetool.__all__)


def test_public_names_are_there() -> None:
    for name in gcodetool.__all__:
        assert getattr(gcodetool, name) is not None
    assert set(dir(gcodetool)) == set(gcodetool.__all__)


def test_an_unknown_public_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'forecats'"):
        gcodetool.forecats  # noqa: B018


@pytest.mark.parametrize(
    "kernel", ["gcode.scan", "gcode.binarycodes", "motion.planner", "moisture.solver", "moisture.solver_avx2"]
)
def test_no_compiled_kernel_is_older_than_its_source(kernel: str) -> None:
    if kernel == "moisture.solver_avx2" and KERNEL is solver:
        pytest.skip("not built, or not for this processor")
    module = importlib.import_module(f"gcodetool.{kernel}")
    compiled = pathlib.Path(module.__file__)
    if compiled.suffix == ".py":
        assert not module.COMPILED
        return
    source = compiled.parent / (compiled.name.split(".")[0].removesuffix("_avx2") + ".py")
    assert compiled.stat().st_mtime >= source.stat().st_mtime, "build again: pip install -e ."


def test_a_spool_of_a_file_opens_no_ledger() -> None:
    """Its job asks for a drier feed, so for boxes, and those of a ledger are none of a file's."""
    code = (
        "import sys; from gcodetool.cli.main import outcome; code = outcome(sys.argv[1:]); "
        "sys.exit(f'{code} sqlalchemy' if code != 10 or 'sqlalchemy' in sys.modules else 0)"
    )
    call = [
        "check",
        "sample_gcode/drip-manifold-pa.gcode",
        "--spool",
        "sample_gcode/shelf/pa6-07.toml",
        "--json",
    ]
    call += ["--at", "2026-11-25T09:00:00+01:00"]
    done = subprocess.run(
        [sys.executable, "-c", code, *call], capture_output=True, text=True, check=False, cwd=PACKAGE.parent
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("call", "ends"),
    [
        (["--help"], 0),
        (["check", "sample_gcode/hose-clips-petg.gcode", "--json"], 30),
        (["prepare", "sample_gcode/hose-clips-petg.gcode", "-o", "{folder}/check.gcode"], 0),
    ],
)
def test_help_and_a_job_without_a_spool_stay_light(
    call: list[str], ends: int, tmp_path: pathlib.Path
) -> None:
    """What a slicer waits for: no numpy, rich or Cython shadow before a command needs it."""
    code = (
        "import sys; from gcodetool.cli.main import outcome; code = outcome(sys.argv[1:]); "
        "heavy = {'numpy', 'rich', 'scipy', 'cython', 'Cython'} & set(sys.modules); "
        f"sys.exit(f'{{code}} {{heavy}}' if code != {ends} or heavy else 0)"
    )
    call = [word.replace("{folder}", str(tmp_path)) for word in call]
    done = subprocess.run(
        [sys.executable, "-c", code, *call], capture_output=True, text=True, check=False, cwd=PACKAGE.parent
    )
    assert done.returncode == 0, done.stderr
    assert "check" in done.stdout or "verdict" in done.stdout


def test_every_package_is_installed():
    with (PACKAGE.parent / "pyproject.toml").open("rb") as file:
        named = set(tomllib.load(file)["tool"]["setuptools"]["packages"])
    there = {".".join(path.parent.relative_to(PACKAGE.parent).parts) for path in PACKAGE.rglob("__init__.py")}
    shipped = {f"gcodetool.shipped.{name}" for name in ("docs", "profiles", "sample_gcode")}
    assert named == there | shipped
