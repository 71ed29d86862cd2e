"""The kernel of water, in the build that suits this processor.

``solver`` is compiled twice where the compiler can (``gcodetool._build``): for every processor of its family,
and with the wider vectors that nearly all of them have (AVX2).  Source, operations and their order are the same, and
so are the results to the bit.  Where it is not compiled, ``solver_numpy`` takes the same steps.
"""

import contextlib
import importlib
from typing import Any, Final

from gcodetool.moisture import solver


def _has_wide_vectors() -> bool:
    """Return whether this processor has AVX2, as numpy found out; no where it does not tell."""
    for home in ("numpy._core._multiarray_umath", "numpy.core._multiarray_umath"):
        with contextlib.suppress(ImportError, AttributeError):
            return bool(importlib.import_module(home).__cpu_features__.get("AVX2"))
    return False


def _chosen() -> Any:
    if not solver.COMPILED:
        from gcodetool.moisture import solver_numpy

        return solver_numpy
    if _has_wide_vectors():
        with contextlib.suppress(ImportError):
            return importlib.import_module("gcodetool.moisture.solver_avx2")
    return solver


KERNEL: Final = _chosen()
