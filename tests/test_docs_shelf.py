"""The week in ``docs/shelf.md`` happens: every command on the page runs, and says what stands there.

Numbers may move a little when a model does; words may not.  After a change that is meant:
``GCODETOOL_UPDATE_DOCS=1 pytest tests/test_docs_shelf.py`` writes the page anew.
"""

import pathlib
import time

import pytest
from documented import happens, same

PAGE = pathlib.Path(__file__).parent.parent / "docs" / "shelf.md"


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process")
def test_the_week_on_the_page_happens(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert happens(PAGE, tmp_path, monkeypatch) > 25


def test_numbers_may_move_and_words_may_not() -> None:
    assert same("pa6-07  0.200 wt %\n", "pa6-07   0.21 wt %\n")
    assert not same("0.2 dry\n", "0.2 wet\n")
    assert not same("20 min\n", "40 min\n")
    assert not same("a 1\n", "a 1 2\n")
