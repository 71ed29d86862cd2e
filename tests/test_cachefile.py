"""Cache files: what was put comes back, or nothing does; whole or not at all; never without end."""

import json
import os
import pickle
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import gcodetool
from gcodetool import cachefile
from gcodetool.cachefile import CacheFolder, seal, unseal

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
facts_of_all_kinds = st.dictionaries(st.text(), JSON, max_size=4)


def both(facts, columns):
    return facts, columns


@given(facts_of_all_kinds, st.binary(max_size=200))
def test_unsealing_what_was_sealed_is_the_same(facts, columns):
    assert unseal("sum/1", seal("sum/1", facts, columns), both) == (facts, columns)


@given(facts_of_all_kinds, st.binary(max_size=60), st.data())
def test_damaged_cut_and_longer_entries_are_not_there(facts, columns, data):
    whole = seal("sum/1", facts, columns)
    at = data.draw(st.integers(0, len(whole) - 1))
    wrong = bytes([whole[at] ^ data.draw(st.integers(1, 255))])
    assert unseal("sum/1", whole[:at] + wrong + whole[at + 1 :], both) is None
    assert unseal("sum/1", whole[:at], both) is None
    assert unseal("sum/1", whole + wrong, both) is None


@given(st.binary(max_size=300))
def test_foreign_entries_are_not_there(noise):
    assert unseal("sum/1", noise, both) is None
    assert unseal("sum/1", None, both) is None


@pytest.mark.parametrize("kind", ["sum/2", "sum/11", "sum", "product/1", ""])
def test_another_kind_or_version_is_not_there(kind):
    assert unseal("sum/1", seal(kind, {"x": 1}), both) is None


@pytest.mark.parametrize("error", [ValueError, TypeError, KeyError])
def test_what_does_not_fit_is_not_there(error):
    def build(*_):
        raise error

    assert unseal("sum/1", seal("sum/1", {"x": 1}), build) is None


def test_a_sealed_text_that_is_no_object_is_not_there():
    whole = seal("sum/1", [1, 2])  # type: ignore[arg-type]
    assert unseal("sum/1", whole, both) is None


# ------------------------------------------------------------------------------- files


def kept(folder):
    return CacheFolder(folder, ".sum")


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_put_get_delete(tmp_path):
    folder = kept(tmp_path / "not" / "there" / "yet")
    assert folder.get("a") is None
    folder.put("a", b"one")
    folder.put("a", b"two")
    assert folder.get("a") == b"two"
    assert names(folder.path) == ["a.sum"]
    folder.delete("a")
    folder.delete("a")
    assert folder.get("a") is None


def test_without_a_folder_nothing_is_kept():
    folder = kept(None)
    folder.put("a", b"one")
    assert folder.get("a") is None
    folder.delete("a")
    folder.prune(0)


def test_where_it_cannot_be_nothing_is_kept_and_nothing_said(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    folder = kept(tmp_path / "file" / "below")
    folder.put("a", b"one")
    assert folder.get("a") is None
    folder.prune(0)
    (tmp_path / "a.sum").mkdir()
    kept(tmp_path).put("a", b"one")
    assert kept(tmp_path).get("a") is None
    assert names(tmp_path) == ["a.sum", "file"]  # and nothing half-written


def test_what_is_larger_than_allowed_is_neither_put_nor_read(tmp_path, monkeypatch):
    monkeypatch.setattr(cachefile, "LARGEST", 1000)
    folder = kept(tmp_path)
    folder.put("a", bytes(1001))
    assert names(tmp_path) == []
    (tmp_path / "a.sum").write_bytes(bytes(1001))
    assert folder.get("a") is None
    (tmp_path / "a.sum").write_bytes(bytes(1000))
    assert folder.get("a") == bytes(1000)


def test_a_full_disk_leaves_what_was_there(tmp_path, monkeypatch):
    folder = kept(tmp_path)
    folder.put("a", b"one")
    real = os.fdopen

    def full(*args, **more):
        file = real(*args, **more)
        file.write(b"half of it")
        file.close()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fdopen", full)
    folder.put("a", b"two")
    assert folder.get("a") == b"one"
    assert names(tmp_path) == ["a.sum"]


def test_readers_see_whole_entries_only(tmp_path):
    """One process writes long entries over each other, this one reads meanwhile."""
    work = (
        "import sys; from pathlib import Path; from gcodetool.cachefile import CacheFolder\n"
        "folder = CacheFolder(Path(sys.argv[1]), '.sum')\n"
        "for turn in range(200): folder.put('a', bytes([turn]) * 300_000)\n"
    )
    folder = kept(tmp_path)
    folder.put("a", bytes(300_000))
    writer = subprocess.Popen([sys.executable, "-c", work, str(tmp_path)])
    while writer.poll() is None:
        data = folder.get("a")
        assert data is not None
        assert data == data[:1] * 300_000
    assert writer.returncode == 0
    assert folder.get("a") == bytes([199]) * 300_000


@pytest.mark.parametrize(("count", "left"), [(4, 4), (5, 3), (9, 5)])
def test_pruning_keeps_the_newer_half_of_too_many(tmp_path, count, left):
    folder = kept(tmp_path)
    (tmp_path / "spool.toml").write_bytes(b"not ours")
    for number in range(count):
        folder.put(f"{number}", b"one")
        os.utime(tmp_path / f"{number}.sum", (1000.0 + number, 1000.0 + number))
    folder.prune(4)
    assert names(tmp_path) == [*(f"{number}.sum" for number in range(count - left, count)), "spool.toml"]


# ------------------------------------------------------------------------------- nothing that is read is run


def test_nothing_unpickles_what_a_folder_holds(tmp_path):
    class Trap:
        def __reduce__(self):
            return Path.touch, (tmp_path / "sprung",)

    assert unseal("sum/1", pickle.dumps(Trap()), both) is None
    assert not (tmp_path / "sprung").exists()
    home = Path(gcodetool.__file__).parent
    unsafe = re.compile(
        r"import (pickle|shelve|marshal|dill|joblib)|(pickle|marshal)\.load|allow_pickle=True"
    )
    assert [path for path in home.rglob("*.py") if unsafe.search(path.read_text(encoding="utf-8"))] == []


def test_facts_are_one_line_of_json():
    head, digest, text, columns = seal("sum/1", {"x": "a\nb"}, b"3\n4").split(b"\n", 3)
    assert (head, len(digest), json.loads(text), columns) == (b"gcodetool/sum/1", 64, {"x": "a\nb"}, b"3\n4")
