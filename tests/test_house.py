"""The house stands as its plan says: imports run one way, public names are there, kernels are fresh."""

import ast
import importlib
import pathlib
import subprocess
import sys

import pytest

import gcodetool

PACKAGE = pathlib.Path(gcodetool.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))
# each room, and the rooms it may look into
MAY = {
    "errors": set(),
    "tomlfile": {"errors"},
    "profilefile": {"errors", "tomlfile", "profiles"},
    "profiles": {"errors", "tomlfile", "profilefile"},
    "machinenotes": {"errors", "tomlfile", "profiles", "profilefile"},
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
    "__main__": {"cli"},
    "gcode": {"errors"},
    "motion": {"errors", "profiles", "gcode"},
    "moisture": {"errors", "profiles"},
    "drying": {"errors", "profiles", "moisture", "motion", "judge"},
    "ledger": {"errors", "profiles", "tomlfile", "moisture"},
    "slicerfiles": {"errors", "profiles", "tomlfile"},
    "judge": {"errors", "profiles", "motion", "moisture"},
    "advice": {"errors", "profiles", "gcode", "motion", "moisture", "slicerfiles", "drying", "judge"},
    "queue": {
        "errors",
        "tomlfile",
        "profiles",
        "gcode",
        "motion",
        "moisture",
        "drying",
        "judge",
        "advice",
    },
    "report": {"errors", "profiles", "queue", "advice", "judge", "drying", "moisture", "motion", "gcode"},
    "app": {
        "slicerfiles",
        "errors",
        "profiles",
        "gcode",
        "ledger",
        "queue",
        "advice",
        "judge",
        "report",
        "moisture",
        "motion",
        "drying",
    },
    "cli": {
        "app",
        "slicerfiles",
        "errors",
        "profiles",
        "machinefile",
        "gcode",
        "ledger",
        "queue",
        "advice",
        "judge",
        "report",
        "moisture",
        "motion",
        "drying",
    },
    "_build": set(),
}


def rooms(source: pathlib.Path) -> set[str]:
    """Return the rooms that a source imports."""
    found = set()
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [
                f"{node.module}.{alias.name}" if node.module == "gcodetool" else node.module
                for alias in node.names
            ]
        found |= {name.split(".")[1] for name in names if name.startswith("gcodetool.")}
    return found


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(source: pathlib.Path) -> None:
    parts = source.relative_to(PACKAGE).with_suffix("").parts
    room = parts[0]
    if room == "__init__":
        return
    allowed = MAY[room] | {room, "__version__"}
    assert rooms(source) <= allowed


def test_physics_and_motion_know_no_clock_and_no_database() -> None:
    for room in ("motion", "moisture", "gcode"):
        for source in (PACKAGE / room).glob("*.py"):
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


def test_public_names_are_there() -> None:
    for name in gcodetool.__all__:
        assert getattr(gcodetool, name) is not None
    assert set(dir(gcodetool)) == set(gcodetool.__all__)


def test_an_unknown_public_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'forecats'"):
        gcodetool.forecats  # noqa: B018


@pytest.mark.parametrize("kernel", ["gcode.scan", "motion.planner", "moisture.solver"])
def test_no_compiled_kernel_is_older_than_its_source(kernel: str) -> None:
    module = importlib.import_module(f"gcodetool.{kernel}")
    compiled = pathlib.Path(module.__file__)
    if compiled.suffix == ".py":
        assert not module.COMPILED
        return
    source = compiled.parent / (compiled.name.split(".")[0] + ".py")
    assert compiled.stat().st_mtime >= source.stat().st_mtime, "build again: pip install -e ."


def test_import_and_help_stay_light() -> None:
    """What a slicer waits for: no numpy, rich or Cython shadow before a command needs it."""
    code = (
        "import sys; from gcodetool.cli.main import outcome; code = outcome(['--help']); "
        "heavy = {'numpy', 'rich', 'scipy', 'cython', 'Cython'} & set(sys.modules); "
        "sys.exit(f'{code} {heavy}' if code or heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "check" in done.stdout
