"""Dataclasses out of what ``asdict`` made of them, once that was JSON: for all that the queue keeps in cache files.

What a value is, the annotations say.  Left out: a plan's JSON, whose names and units are for others (``plan_names``).
"""

import functools
import types
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar, Union, get_args, get_origin

_Kind = TypeVar("_Kind")
_Reader = Callable[[Any], Any]


def built(kind: Callable[..., _Kind], facts: Mapping[str, Any]) -> _Kind:
    """Return the dataclass that *facts* say; a plain value that they leave out takes its default.

    Raises
    ------
    KeyError, TypeError
        They are of another shape.
    """
    found: _Kind = _of_dataclass(kind)(facts)
    return found


def _reader(kind: Any) -> _Reader | None:
    """Return what makes a value of a type out of what JSON has for it; None: it is the same."""
    assert not isinstance(kind, str), f"{kind}: an annotation that is text says nothing here"
    if isinstance(kind, type) and is_dataclass(kind):
        return _of_dataclass(kind)
    origin, args = get_origin(kind), get_args(kind)
    if origin is tuple:
        return _of_tuple(args)
    if origin is dict:
        return _of_dict(_reader(args[1]))
    if origin in (Union, types.UnionType):
        return _or_none(next((reader for each in args if (reader := _reader(each)) is not None), None))
    return None


@functools.cache
def _of_dataclass(kind: Any) -> _Reader:
    readers = {each.name: reader for each in fields(kind) if (reader := _reader(each.type)) is not None}

    def read(facts: Mapping[str, Any]) -> Any:
        return kind(**{**facts, **{name: reader(facts[name]) for name, reader in readers.items()}})

    return read


def _of_tuple(args: tuple[Any, ...]) -> _Reader:
    if args[-1] is not Ellipsis:
        return tuple
    inner = _reader(args[0])
    return tuple if inner is None else lambda values: tuple(map(inner, values))


def _of_dict(inner: _Reader | None) -> _Reader | None:
    return None if inner is None else lambda each: {key: inner(value) for key, value in each.items()}


def _or_none(inner: _Reader | None) -> _Reader | None:
    return None if inner is None else lambda value: None if value is None else inner(value)
