"""What the tool told is what it tells: stored outputs of many commands, held word for word (``told``)."""

import pytest
import told

from gcodetool.moisture.solver import COMPILED

pytestmark = pytest.mark.skipif(not COMPILED, reason="hundreds of commands: compiled kernels only")


@pytest.mark.parametrize("name", told.names())
def test_told_is_what_is_stored(name):
    found = told.differences(told.stored(name), told.told(name))
    assert not found, "\n".join(
        (f"{name} tells something else; where that is wanted: python tests/told.py --write {name}", *found)
    )


def test_every_stored_file_is_of_a_story():
    assert sorted(path.stem for path in told.STORED.glob("*.txt")) == sorted(told.names())
