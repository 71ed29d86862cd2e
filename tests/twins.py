"""The interpreted twin of a compiled kernel: the same source, run as it stands."""

import functools
import importlib.util
import pathlib
from types import ModuleType

PACKAGE = pathlib.Path(__file__).resolve().parent.parent / "gcodetool"


@functools.cache
def interpreted(name: str) -> ModuleType:
    """Return module *name* (``gcodetool.gcode.scan``) loaded from its source."""
    source = PACKAGE.joinpath(*name.split(".")[1:]).with_suffix(".py")
    spec = importlib.util.spec_from_file_location(name + "_interpreted", source)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert not module.COMPILED
    return module
