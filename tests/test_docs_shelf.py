"""The weeks in ``docs/shelf.md`` and ``docs/storage.md`` happen: every command there runs, and says what stands there.

Numbers may move a little when a model does; words may not.  After a change that is meant:
``GCODETOOL_UPDATE_DOCS=1 pytest tests/test_docs_shelf.py`` writes the pages anew.
"""

import pathlib
import time

import pytest
from documented import happens, same

DOCS = pathlib.Path(__file__).parent.parent / "docs"


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process")
@pytest.mark.parametrize(("page", "fewest"), [("shelf.md", 25), ("storage.md", 15)])
def test_the_week_on_the_page_happens(
    page: str, fewest: int, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert happens(DOCS / page, tmp_path, monkeypatch) > fewest


def test_numbers_may_move_and_words_may_not() -> None:
    assert same("pa6-07  0.200 wt %\n", "pa6-07   0.21 wt %\n")
    assert not same("0.2 dry\n", "0.2 wet\n")
    assert not same("20 min\n", "40 min\n")
    assert not same("a 1\n", "a 1 2\n")
