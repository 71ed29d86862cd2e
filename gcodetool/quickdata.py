"""Dataclasses that are quick to define, for the files that a check loads.

The standard decorator writes up to six functions for each class as text, and compiles them, at every start: with a
hundred classes that is a fifth of a check of a small file.  Here all classes share one set of functions.  What a class
says, and what ``fields``, ``replace`` and ``asdict`` of the standard library make of it, stay the same, and an
instance is made in the same time.

Left out: ``slots``, ``order``, ``kw_only``, fields that are no arguments, and classes that inherit from another
dataclass; those take the standard decorator.
"""

import dataclasses
from collections.abc import Callable, Mapping
from operator import attrgetter
from typing import TYPE_CHECKING, Any, ClassVar, Final

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass  # noqa: PLC0414  for others to import
else:

    def dataclass(cls=None, /, *, frozen=False, eq=True):
        """Return *cls* with the methods of a dataclass; as the standard decorator of that name."""
        if cls is None:
            return lambda named: dataclass(named, frozen=frozen, eq=eq)
        return _with_methods(cls, frozen=frozen, eq=eq)


FIELDS: Final = "__dataclass_fields__"  # where the standard library looks for what it knows of a class


class _FieldsOnDemand:
    """Stands for the standard library's own fields of a class, which are made when somebody asks for them."""

    def __init__(self, cls: type, stated: Mapping[str, Any]) -> None:
        self.cls = cls
        self.stated = stated

    def __get__(self, _: object, owner: type) -> Any:
        for name, value in self.stated.items():
            setattr(self.cls, name, value)
        dataclasses.dataclass(init=False, repr=False, eq=False)(self.cls)  # puts them in this one's place
        return self.cls.__dict__[FIELDS]


def _with_methods(cls: type, *, frozen: bool, eq: bool) -> type:
    """Give a class its methods, where it has none of its own."""
    names = [
        name
        for name, kind in cls.__annotations__.items()
        if getattr(kind, "__origin__", None) is not ClassVar
    ]
    stated = {name: cls.__dict__[name] for name in names if name in cls.__dict__}
    fields = {name: value for name, value in stated.items() if isinstance(value, dataclasses.Field)}
    defaults, makers = dict(stated), {}
    for name, field in fields.items():
        del defaults[name]
        delattr(cls, name)
        if field.default_factory is not dataclasses.MISSING:
            makers[name] = field.default_factory
        elif field.default is not dataclasses.MISSING:
            defaults[name] = field.default
            setattr(cls, name, field.default)
    compared = [name for name in names if name not in fields or fields[name].compare]
    hashed = [name for name in compared if name not in fields or fields[name].hash is not False]
    shown = [name for name in names if name not in fields or fields[name].repr]
    methods: dict[str, Any] = {
        "__init__": _init(cls, names, defaults, makers),
        "__repr__": _repr(shown),
        "__match_args__": tuple(names),
    }
    if eq:
        methods["__eq__"] = _eq(compared)
        methods["__hash__"] = _hash(hashed) if frozen else None
    if frozen:
        methods |= {"__setattr__": _refuse_setting, "__delattr__": _refuse_deleting}
    for name, method in methods.items():
        if name not in cls.__dict__:
            setattr(cls, name, method)
    setattr(cls, FIELDS, _FieldsOnDemand(cls, stated))
    return cls


def _init(
    cls: type, names: list[str], defaults: Mapping[str, Any], makers: Mapping[str, Callable[[], Any]]
) -> Callable[..., None]:
    known = dict.fromkeys(names).keys()
    made = tuple(makers.items())
    after = hasattr(cls, "__post_init__")

    def init(self: Any, *values: Any, **named: Any) -> None:
        own = self.__dict__
        own.update(defaults)
        own.update(zip(names, values))  # noqa: B905  too many are told below, with the rest
        own.update(named)
        for name, make in made:
            if name not in own:
                own[name] = make()
        if (
            own.keys() != known
            or len(values) > len(names)
            or (values and named and _twice(names, values, named))
        ):
            raise _misuse(cls, names, values, named, own)
        if after:
            self.__post_init__()

    return init


def _twice(names: list[str], values: tuple[Any, ...], named: Mapping[str, Any]) -> bool:
    return not named.keys().isdisjoint(names[: len(values)])


def _misuse(
    cls: type, names: list[str], values: tuple[Any, ...], named: Mapping[str, Any], own: Mapping[str, Any]
) -> TypeError:
    """Return what is wrong with the arguments of a call."""
    wrong = [name for name in own if name not in names] + [
        name for name in names[: len(values)] if name in named
    ]
    lacking = [name for name in names if name not in own]
    said = f"unknown or given twice: {', '.join(wrong)}" if wrong else f"missing: {', '.join(lacking)}"
    if len(values) > len(names):
        said = f"{len(values)} given, it takes {len(names)}"
    return TypeError(f"{cls.__qualname__}() arguments: {said}")


def _repr(names: list[str]) -> Callable[[Any], str]:
    def shown(self: Any) -> str:
        inside = ", ".join(f"{name}={getattr(self, name)!r}" for name in names)
        return f"{self.__class__.__qualname__}({inside})"

    return shown


def _values(names: list[str]) -> Callable[[Any], Any]:
    return attrgetter(*names) if names else lambda _: ()


def _eq(names: list[str]) -> Callable[[Any, object], Any]:
    values = _values(names)

    def equal(self: Any, other: object) -> Any:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return bool(values(self) == values(other))

    return equal


def _hash(names: list[str]) -> Callable[[Any], int]:
    values = _values(names)

    def hashed(self: Any) -> int:
        return hash(values(self))

    return hashed


def _refuse_setting(self: object, name: str, value: object) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_deleting(self: object, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")
