"""The series in ``docs/series.md`` happens: every command on the page runs, and says what stands there.

``GCODETOOL_UPDATE_DOCS=1 pytest tests/test_docs_series.py`` writes the page anew.
"""

import pathlib
import time

import pytest
from documented import happens

PAGE = pathlib.Path(__file__).parent.parent / "docs" / "series.md"


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process")
def test_the_series_on_the_page_happens(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert happens(PAGE, tmp_path, monkeypatch, columns=110) > 20
