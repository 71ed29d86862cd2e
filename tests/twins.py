"""The interpreted twin of a compiled kernel: the same source, run as it stands."""

import functools
import importlib.util
import pathlib
import sys
from types import ModuleType
from unittest import mock

PACKAGE = pathlib.Path(__file__).resolve().parent.parent / "gcodetool"


@functools.cache
def interpreted(name: str) -> ModuleType:
    """Return module *name* (``gcodetool.gcode.scan``) loaded from its source, as where Cython is not installed."""
    source = PACKAGE.joinpath(*name.split(".")[1:]).with_suffix(".py")
    spec = importlib.util.spec_from_file_location(name + "_interpreted", source)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with mock.patch.dict(sys.modules, {"cython": None}):  # importing it fails
        spec.loader.exec_module(module)
    assert not module.COMPILED
    return module
