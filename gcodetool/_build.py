"""Compile the kernels at install time: the same ``.py`` files, through Cython; write the manual pages.

Named in ``pyproject.toml`` as the ``build_ext`` command.  With no compiler, or with
``GCODETOOL_KERNELS=interpreted`` in the environment, nothing is compiled: the sources then run
as they stand (the solver: in numpy), slower, with the same results.  A compiled kernel keeps to the
stable ABI of Python 3.11, so that one wheel of a platform serves every later Python (``docs/releases.md`` has
what that costs).
"""

import os
import pathlib
import platform
import shutil
import sys
import sysconfig
from distutils.command.install_data import install_data  # setuptools' own since Python 3.12
from typing import Any, Final

from setuptools import Extension
from setuptools.command.build_ext import build_ext
from setuptools.command.sdist import sdist

DIRECTIVES: Final = {
    "language_level": 3,
    "boundscheck": False,
    "wraparound": False,
    "initializedcheck": False,
    "cdivision": True,  # C division; a kernel guards each divisor that can be zero
}
# The kernel that is built once more for wider vectors, and the flags for that: no operation is fused with another, so
# that both builds give the same bits.  `gcodetool.moisture.kernel` takes the one that the processor can run.
WIDE: Final = ("gcodetool.moisture.solver", "gcodetool.moisture.solver_avx2")
WIDE_FLAGS: Final = ["-mavx2", "-ffp-contract=off"]
COPIES: Final = pathlib.Path("build", "wide")  # of its source
# a build without the global lock has no stable ABI yet, and other interpreters have none
STABLE: Final = platform.python_implementation() == "CPython" and not sysconfig.get_config_var(
    "Py_GIL_DISABLED"
)
SKIPPED: Final = {"__pycache__", ".hypothesis"}  # never in a source package
OLDEST: Final = "0x030B0000"  # Python 3.11, as `requires-python` says


class BuildKernels(build_ext):  # type: ignore[misc]  # setuptools carries no types
    """The ``build_ext`` command: our directives, and a switch to leave the kernels interpreted."""

    def finalize_options(self) -> None:
        """Translate the kernels, or drop them where the switch or a missing Cython says so."""
        kernels = list(self.distribution.ext_modules or [])
        if WIDE[1] not in [kernel.name for kernel in kernels]:
            kernels += self.wider(kernels)
        for kernel in kernels:
            kernel.py_limited_api = STABLE  # names the file
        self.distribution.ext_modules = kernels
        super().finalize_options()
        self.extensions: list[Any] = self.translated(kernels)
        names = [kernel.name for kernel in self.extensions]
        for name in {WIDE[1], *(kernel.name for kernel in kernels)}:
            if name not in names:
                self.forget(name)

    def translated(self, kernels: list[Any]) -> list[Any]:
        """Return *kernels* as C extensions; an empty list means interpreted."""
        if os.environ.get("GCODETOOL_KERNELS", "compiled") == "interpreted":
            return []
        try:
            from Cython.Build import cythonize
        except ImportError:
            return []
        translated = list(
            cythonize(
                kernels,
                compiler_directives=DIRECTIVES,
                include_path=[str(COPIES)],
                build_dir="build/cython",
                quiet=True,
            )
        )
        for kernel in translated:
            kernel.optional = True  # no compiler is no reason to fail; cythonize drops the mark
            kernel._needs_stub = False
            kernel.py_limited_api = STABLE
            if STABLE:
                kernel.define_macros = [*kernel.define_macros, ("Py_LIMITED_API", OLDEST)]
            if sys.platform == "linux":
                kernel.extra_link_args = [*kernel.extra_link_args, "-Wl,--strip-all"]  # a third of the size
        return translated

    def wider(self, kernels: list[Any]) -> list[Any]:
        """Return the second build of a kernel, where processor and compiler are of the kind that has it."""
        if os.name != "posix" or platform.machine() != "x86_64":
            return []
        found = []
        for kernel in kernels:
            if kernel.name == WIDE[0]:
                source = pathlib.Path(kernel.sources[0])
                copy = COPIES.joinpath(*WIDE[1].split(".")).with_suffix(".py")
                copy.parent.mkdir(parents=True, exist_ok=True)
                for suffix in (".py", ".pxd"):
                    shutil.copyfile(source.with_suffix(suffix), copy.with_suffix(suffix))
                flags = [*kernel.extra_compile_args, *WIDE_FLAGS]
                found.append(Extension(WIDE[1], [str(copy)], extra_compile_args=flags, optional=True))
        return found

    def build_extension(self, ext: Any) -> None:
        """Compile one kernel, and take away what another Python left beside it: that would be imported first."""
        super().build_extension(ext)
        _alone(pathlib.Path(self.get_ext_fullpath(ext.name)))

    def copy_extensions_to_source(self) -> None:
        """Put the kernels beside their sources, each alone there."""
        super().copy_extensions_to_source()
        for ext in self.extensions:
            _alone(
                pathlib.Path(*ext.name.split(".")[:-1], pathlib.Path(self.get_ext_filename(ext.name)).name)
            )

    def forget(self, name: str) -> None:
        """Remove what an earlier build left of a kernel, or it would be installed after all."""
        built = pathlib.Path(self.build_lib or "build", *name.split("."))
        beside = pathlib.Path(*name.split("."))
        for stem in (built, beside) if self.inplace else (built,):
            for old in stem.parent.glob(f"{stem.name}.*"):
                if old.suffix in (".so", ".pyd"):
                    old.unlink()


class ManualPages(install_data):
    """The ``install_data`` command: a manual page of each command, from its own help, where ``man`` finds it."""

    def run(self) -> None:
        """Write them; without the package that does, a need of the build alone, or a ``man``, there are none."""
        super().run()
        try:
            from click_man.core import write_man_pages
        except ImportError:
            return
        if os.name != "posix":
            return
        sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))  # where the sources lie
        from gcodetool import __version__
        from gcodetool.cli.main import main, whole

        folder = pathlib.Path(self.install_dir, "share", "man", "man1")
        folder.mkdir(parents=True, exist_ok=True)
        os.environ.setdefault("SOURCE_DATE_EPOCH", "0")  # the same source gives the same pages
        write_man_pages("gcodetool", whole(main), version=__version__, target_dir=str(folder))
        self.outfiles += [str(page) for page in folder.glob("gcodetool*.1")]


class Sources(sdist):  # type: ignore[misc]  # setuptools carries no types
    """The ``sdist`` command: with all that its own tests need, so no file of patterns lies in the checkout."""

    def make_release_tree(self, base_dir: str, files: list[str]) -> None:
        """Put tests, documentation and the rest of the checkout in, apart from what was built there."""
        more = ["CHANGELOG.md", "DEVELOPERS.md"]
        for folder in (".ci", "docs", "profiles", "sample_gcode", "tests"):
            for path in sorted(pathlib.Path(folder).rglob("*")):
                if path.is_file() and not SKIPPED & set(path.parts):
                    more.append(str(path))
        super().make_release_tree(base_dir, [*files, *(name for name in more if name not in files)])


def _alone(made: pathlib.Path) -> None:
    """Take away the same kernel under the name that another Python's build gave it."""
    for old in made.parent.glob(f"{made.name.partition('.')[0]}.*") if made.exists() else ():
        if old.suffix in (".so", ".pyd") and old.name != made.name:
            old.unlink()
