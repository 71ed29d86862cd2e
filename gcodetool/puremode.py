"""The words of Cython that the kernels use, for when they run as they stand: types that say nothing, plain lists.

A kernel takes ``cython`` from here where Cython, which is needed at build time alone, is not installed.  Cython's own
module of this kind serves too; it converts each element that is written into a C array, which takes much longer.
"""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, Final, TypeVar

_Thing = TypeVar("_Thing")


class _Kind:
    """A C type: ``kind[::1]`` and ``kind[64]`` are types too, and the second of them an array to be declared."""

    def __init__(self, convert: Callable[[Any], Any], length: int = 0) -> None:
        self.convert, self.length = convert, length

    def __getitem__(self, item: Any) -> "_Kind":
        return _Kind(self.convert, item if isinstance(item, int) else 0)


class _Lock:
    """``nogil`` and the like: as a decorator and as what a ``with`` stands for."""

    def __call__(self, thing: _Thing) -> _Thing:
        return thing

    def __enter__(self) -> None:
        """Leave everything as it is."""

    def __exit__(self, *_: object) -> None:
        """Leave everything as it is."""


def _same(thing: _Thing) -> _Thing:
    return thing


def _decorator(*_: Any, **__: Any) -> Callable[[_Thing], _Thing]:
    return _same


def _declare(kind: Any = None, value: Any = None, **_: Any) -> Any:
    """Return the value of a variable that is declared; of a C array, its zeros."""
    if isinstance(kind, _Kind) and kind.length:
        return [kind.convert(0)] * kind.length
    return value


def _cast(kind: _Kind, value: Any) -> Any:
    return kind.convert(value)


class _Const:
    def __getitem__(self, kind: _Kind) -> _Kind:
        return kind


cython: Final = SimpleNamespace(
    compiled=False,
    double=_Kind(float),
    **{
        name: _Kind(int)
        for name in ("Py_ssize_t", "int", "long", "longlong", "uchar", "uint", "ulonglong", "bint")
    },
    void=None,
    const=_Const(),
    pointer=_same,
    declare=_declare,
    cast=_cast,
    cclass=_same,
    cfunc=_same,
    ccall=_same,
    inline=_same,
    final=_same,
    exceptval=_decorator,
    returns=_decorator,
    gil=_Lock(),
    nogil=_Lock(),
    with_gil=_same,
)
