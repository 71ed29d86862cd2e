"""Cache files: what was computed before, believed only if it is whole, ours and of this version.

:func:`seal` puts a line with kind and version and a digest before the content, :func:`unseal` takes them off
again; :class:`CacheFolder` keeps entries as files, written in one step.  A damaged, foreign or older entry,
a full disk, a folder that cannot be written: all of it counts as "not there".  Nothing that is read
is ever run: facts are JSON, columns are bytes.  Left out: what is kept, and under which key.
"""

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

import gcodetool
from gcodetool.quickdata import dataclass
from gcodetool.textfile import opened, own_folder

Content = TypeVar("Content")

LARGEST: Final = 200_000_000  # bytes of one entry; anything larger is not ours


def seal(kind: str, facts: Mapping[str, Any], columns: bytes = b"") -> bytes:
    """Return an entry: kind and version, a digest of the rest, facts as one line of JSON, columns.

    >>> unseal("sum/1", seal("sum/1", {"of": [1, 2]}, b"3"), lambda facts, columns: (facts, columns))
    ({'of': [1, 2]}, b'3')
    """
    content = json.dumps(facts).encode() + b"\n" + columns
    return _head(kind, content) + content


def unseal(
    kind: str, data: bytes | None, build: Callable[[dict[str, Any], bytes], Content | None]
) -> Content | None:
    """Return what *build* makes of an entry's facts and columns; None where it is no whole entry of that kind.

    *build* may return None itself, or fail with ValueError, TypeError or KeyError: it does not fit.
    """
    if data is None:
        return None
    content = data[len(_head(kind, b"")) :]
    if not data.startswith(_head(kind, content)):
        return None
    text, _, columns = content.partition(b"\n")
    try:
        facts = json.loads(text)
        return build(facts, columns) if isinstance(facts, dict) else None
    except (ValueError, TypeError, KeyError):
        return None


def _head(kind: str, content: bytes) -> bytes:
    return f"gcodetool/{kind}\n{hashlib.sha256(content).hexdigest()}\n".encode()


@dataclass(frozen=True)
class CacheFolder:
    """Entries of one sort as files of one folder, named by key and suffix; no path: nothing is kept."""

    path: Path | None
    suffix: str

    def get(self, key: str) -> bytes | None:
        """Return what was put under *key*, or None."""
        with contextlib.suppress(OSError), opened(self.file(key)) as file:
            if os.fstat(file.fileno()).st_size <= LARGEST:
                return file.readall()
        return None

    def put(self, key: str, data: bytes) -> None:
        """Keep *data* under *key*, whole or not at all; silently not, where that cannot be."""
        if self.path is None or len(data) > LARGEST:
            return
        with contextlib.suppress(OSError):
            own_folder(self.path)
            handle, name = tempfile.mkstemp(prefix=".new-", suffix=self.suffix, dir=self.path)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                Path(name).replace(self.file(key))
            except OSError:
                Path(name).unlink(missing_ok=True)
                raise

    def delete(self, key: str) -> None:
        """Take away what was put under *key*, if it is there."""
        with contextlib.suppress(OSError):
            self.file(key).unlink()

    def prune(self, most: int) -> None:
        """Where there are more than so many files, take the older half away; what was left half-written is among it."""
        with contextlib.suppress(OSError):
            found = [entry for entry in os.scandir(self.file("").parent) if entry.name.endswith(self.suffix)]
            if len(found) > most:
                found.sort(key=lambda entry: entry.stat().st_mtime_ns)
                for entry in found[: len(found) // 2]:
                    Path(entry.path).unlink(missing_ok=True)

    def file(self, key: str) -> Path:
        """Return where the entry of *key* lies; FileNotFoundError: nothing is kept."""
        if self.path is None:
            raise FileNotFoundError(key)
        return self.path / (key + self.suffix)


def stamp_of(paths: Iterable[Path]) -> str:
    """Return what changes when one of these files does or is gone, or when this version does."""
    digest = hashlib.sha256(gcodetool.__version__.encode())
    for path in sorted(paths):
        digest.update(f"\n{path}".encode())
        with contextlib.suppress(OSError):
            found = path.stat()
            digest.update(f" {found.st_size} {found.st_mtime_ns}".encode())
    return digest.hexdigest()


def code_in(*packages: str) -> list[Path]:
    """Return the sources and compiled modules of some of our packages."""
    home = Path(gcodetool.__file__).parent
    found = [path for package in packages for path in (home / package).iterdir()]
    return [path for path in found if path.suffix in (".py", ".so", ".pyd")]
