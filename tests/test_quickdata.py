"""Quickly defined dataclasses against those of the standard library: the same class, made twice."""

import copy
import dataclasses
import pathlib
import pickle
import subprocess
import sys
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import quickdata
from gcodetool.motion.timeline import Wait

SAMPLES = pathlib.Path(quickdata.__file__).parent.parent / "sample_gcode"


def shelf(decorator):
    """Return one class as *decorator* makes it."""

    @decorator(frozen=True)
    class Reel:
        """A reel of the bench."""

        KIND: ClassVar[str] = "reel"
        name: str
        left_g: float
        notes: tuple[str, ...] = ()
        raw: dict[str, int] = dataclasses.field(default_factory=dict, repr=False, compare=False)
        texts: list[str] = dataclasses.field(default_factory=list, hash=False)
        path: str | None = dataclasses.field(default=None, compare=False)

    return Reel


Quick, Standard = shelf(quickdata.dataclass), shelf(dataclasses.dataclass)
FIELDS = {
    "name": st.sampled_from("ab"),
    "left_g": st.sampled_from([1.0, 2.0]),
    "notes": st.sampled_from([(), ("wet",)]),
    "raw": st.dictionaries(st.sampled_from("xy"), st.integers(0, 1), max_size=1),
    "texts": st.lists(st.just("t"), max_size=1),
    "path": st.sampled_from([None, "p"]),
}
calls = st.fixed_dictionaries(
    {"name": FIELDS["name"], "left_g": FIELDS["left_g"]},
    optional={name: values for name, values in FIELDS.items() if name not in ("name", "left_g")},
)


@given(one=calls, other=calls, change=st.fixed_dictionaries({}, optional=FIELDS))
def test_both_say_the_same(one, other, change):
    quick, standard = Quick(**one), Standard(**one)
    assert repr(quick) == repr(standard)
    assert dataclasses.asdict(quick) == dataclasses.asdict(standard)
    assert (quick == Quick(**other)) == (standard == Standard(**other))
    assert (hash(quick) == hash(Quick(**other))) == (hash(standard) == hash(Standard(**other)))
    changed = dataclasses.replace(quick, **change)
    assert repr(changed) == repr(dataclasses.replace(standard, **change))
    assert changed.raw == dataclasses.replace(standard, **change).raw
    assert copy.copy(quick) == quick
    assert quick != standard


def test_arguments_by_place_and_by_name_fill_the_same_fields():
    quick = Quick("a", 2.0, ("wet",), path="p")
    assert repr(quick) == repr(Standard("a", 2.0, ("wet",), path="p"))
    assert quick.raw is not Quick("a", 2.0).raw  # each has a dict of its own
    assert Quick.KIND == "reel"
    assert Quick.path is None


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ((), {}),
        (("a",), {}),
        (("a", 1.0), {"color": "red"}),
        (("a",), {"color": "red"}),
        (("a", 1.0), {"name": "b"}),
        (("a", 1.0, (), {}, [], None, 7), {}),
    ],
)
def test_wrong_arguments_are_refused_as_by_the_standard_decorator(values, named):
    for made in (Quick, Standard):
        with pytest.raises(TypeError, match="Reel"):
            made(*values, **named)


def test_a_frozen_one_stays_as_it_is():
    for reel in (Quick("a", 1.0), Standard("a", 1.0)):
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'name'"):
            reel.name = "b"
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'name'"):
            del reel.name


@pytest.mark.parametrize("decorator", [quickdata.dataclass, dataclasses.dataclass])
def test_what_the_class_says_itself_is_kept(decorator):
    @decorator
    class Count:
        number: int = 1

        def __post_init__(self):
            self.number += 1

        def __repr__(self):
            return "mine"

    count = Count(4)
    count.number += 1
    assert (count.number, repr(count), count == Count(5)) == (6, "mine", True)
    assert Count.__hash__ is None
    match count:
        case Count(number):
            assert number == 6
    assert [field.name for field in dataclasses.fields(Count)] == ["number"]
    unequal = decorator(frozen=True, eq=False)(type("Alone", (), {"__annotations__": {"x": int}}))
    assert unequal(1) != unequal(1)
    assert hash(unequal(1)) is not None


def test_an_instance_travels_to_another_process_and_is_equal_there():
    """What comes out of a pickle was never made by its class: it is equal, shown and changed all the same."""
    code = (
        "import pickle, sys, dataclasses; from gcodetool.motion.timeline import Wait; "
        "wait = pickle.loads(sys.stdin.buffer.read()); "
        "print(repr(dataclasses.replace(wait, line=8)) == repr(Wait(8, 'heat', 60.0, True, 'M109')), wait)"
    )
    wait = Wait(7, "heat", 60.0, True, "M109")
    done = subprocess.run(
        [sys.executable, "-c", code], input=pickle.dumps(wait), capture_output=True, check=True
    )
    assert done.stdout.decode().strip() == f"True {wait!r}"
    assert pickle.loads(pickle.dumps(wait)) == wait


def test_a_check_loads_no_class_of_the_standard_decorator():
    """Each costs what ten files of the package cost: those on the way of a check are of ``quickdata``."""
    code = (
        "import dataclasses, sys; slow = []; standard = dataclasses.dataclass\n"
        "def noted(cls=None, /, **options):\n"
        "    def wrap(made):\n"
        "        if options.get('init', True): slow.append(f'{made.__module__}.{made.__qualname__}')\n"
        "        return standard(made, **options)\n"
        "    return wrap if cls is None else wrap(cls)\n"
        "dataclasses.dataclass = noted\n"
        "from gcodetool.cli.main import outcome; code = outcome(sys.argv[1:])\n"
        "print([name for name in slow if name.startswith('gcodetool')], file=sys.stderr); sys.exit(code)"
    )
    job, spool = SAMPLES / "hose-clips-petg.gcode", SAMPLES / "shelf" / "petg-03.toml"
    for more in ([], ["--spool", spool]):
        at = ["--at", "2026-11-25T09:00:00+01:00"]
        call = [sys.executable, "-c", code, "check", job, "--json", *at, *more]
        done = subprocess.run(call, capture_output=True, text=True, check=False)
        assert done.returncode in (0, 10, 20, 21, 30), done.stderr
        assert done.stderr.strip().splitlines()[-1] == "[]", "take `dataclass` from gcodetool.quickdata there"
