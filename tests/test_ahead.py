"""Items made ahead in a thread: the same items, the same error, and no thread left behind."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.gcode.ahead import ahead


def names():
    return [each.name for each in threading.enumerate()]


@given(st.lists(st.one_of(st.none(), st.integers())), st.integers(1, 5))
def test_the_items_come_in_order(items, count):
    assert list(ahead(iter(items), count)) == items
    assert "ahead" not in names()


def test_no_more_are_made_than_said():
    made = []

    def items():
        for number in range(10):
            made.append(number)
            yield number

    for taken in ahead(items(), 3):
        assert len(made) <= taken + 3


def test_an_error_is_raised_where_the_item_would_come():
    def items():
        yield 1
        yield 2
        raise ValueError("no more")

    taken = []
    with pytest.raises(ValueError, match="no more"):
        taken.extend(ahead(items(), 4))
    got = ahead(items(), 4)
    assert [next(got), next(got)] == [1, 2]
    with pytest.raises(ValueError, match="no more"):
        next(got)
    assert "ahead" not in names()


def test_who_stops_early_leaves_no_thread():
    got = ahead(iter(range(1000)), 2)
    assert next(got) == 0
    assert "ahead" in names()
    got.close()
    assert "ahead" not in names()
