"""Where the ledger lies, and transactions on it whose failures are one line each.

SQLite in the user's data folder unless a path or URL says otherwise; PostgreSQL by URL.  A writer takes
the ledger's one lock before it reads what it decides on, so writers queue and entries are numbered in
the order in which they became visible.  Left out: what entries mean (``entries``, ``records``).
"""

import contextlib
import functools
import hashlib
import os
import tempfile
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from gcodetool.changes import making
from gcodetool.errors import DamagedError, LedgerError
from gcodetool.heldfile import on_disk, take_place
from gcodetool.ledger.call import CALL, NUMBERS, WROTE, now_us
from gcodetool.ledger.forms import Form, take
from gcodetool.ledger.location import exists as exists  # noqa: PLC0414  # asked for here by those who open
from gcodetool.ledger.location import path_of, place_of
from gcodetool.ledger.schema import ENTRIES
from gcodetool.ledger.steps import NEWEST, forward, version_of
from gcodetool.textfile import opened, own_folder

PATIENCE_S: Final = 30.0  # how long a writer queues for the lock
PATIENCE: Final = "GCODETOOL_LEDGER_WAIT"  # the same, from outside: seconds
RECONNECTS: Final = 5
POSTGRES_LOCK: Final = 0x67636F646574  # "gcodet": this tool's own advisory lock, for making the tables


@dataclass(frozen=True)
class Ledger:
    """An opened ledger.

    Attributes
    ----------
    where : path or URL without password, for messages.
    engine : connections are made for each transaction and closed after it.
    path : the SQLite file; None for a server.
    form : what is written through this handle comes from that form, and is written once.
    """

    where: str
    engine: Engine
    path: Path | None
    form: Form | None = None


def open_ledger(word: str | Path | None = None, *, make: bool = True) -> Ledger:
    """Return the ledger at a path or URL, brought to this version's schema.

    Parameters
    ----------
    word
        Path or URL; None = ``GCODETOOL_LEDGER``, else the user's data folder.
    make
        Make it where there is none.

    Raises
    ------
    LedgerError
        It cannot be reached, read or made, is damaged, or was written by a newer gcodetool.
    """
    chosen = place_of(None if word is None else str(word))
    path = path_of(chosen)
    if path is not None:
        return _open_sqlite(path, make=make)
    return _open_server(chosen, make=make)


# ---------------------------------------------------------------- SQLite


def patience_s() -> float:
    """Return how long to wait for the lock. [s]"""
    try:
        return max(0.0, float(os.environ.get(PATIENCE, PATIENCE_S)))
    except ValueError:
        return PATIENCE_S


def _open_sqlite(path: Path, *, make: bool) -> Ledger:
    if not path.exists():
        if not make:
            raise LedgerError(f"{path}: no ledger there; 'gcodetool place add' and 'spool add' begin one")
        _make_sqlite(path)
    ledger, version = _as_it_stands(path)
    if version < NEWEST:
        _rehearse(ledger, path, version)
        with writing(ledger) as conn:
            forward(conn, version=version_of(conn), now_us=now_us())
    return ledger


def _rehearse(ledger: Ledger, path: Path, version: int) -> None:
    """Take the steps forward on a copy first, and keep another copy as it was: a step that fails changes nothing.

    An earlier copy of that name stays unless it is the same: it may be the better one.
    """
    with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as work:
        old, new = Path(work) / "old", Path(work) / "new"
        copy(ledger, old)
        copy(ledger, new)
        tried = Ledger(ledger.where, _sqlite_engine(new), new)
        with writing(tried) as conn:
            forward(conn, version=version, now_us=now_us())
        kept, count = path.with_name(f"{path.name}.version-{version}.backup"), 1
        while kept.exists() and not _alike(kept, old):
            count += 1
            kept = path.with_name(f"{path.name}.version-{version}-{count}.backup")
        with making(f"a copy of the older ledger was written to {kept}"):
            old.replace(kept)


def _alike(one: Path, other: Path) -> bool:
    with opened(one) as mine, opened(other) as theirs:
        digests = [hashlib.file_digest(file, "sha256").digest() for file in (mine, theirs)]
    return digests[0] == digests[1]


def open_file(path: Path) -> Ledger:
    """Return the ledger in a file as it stands, of whatever version up to this one's.

    Raises
    ------
    LedgerError
        It is not there, no ledger, damaged, or of a newer version.
    """
    if not path.exists():
        raise LedgerError(f"{path}: no such file; check the path")
    return _as_it_stands(path)[0]


def _as_it_stands(path: Path) -> tuple[Ledger, int]:
    """Return the ledger in a file that is there, and its version."""
    if not path.is_file():  # of a named pipe SQLite would wait for the other end
        raise LedgerError(f"{path}: not an ordinary file; name another with --ledger")
    ledger = Ledger(str(path), _sqlite_engine(path), path)
    with _explained(ledger), ledger.engine.connect() as conn:
        version = version_of(conn)
    if version == 0:
        raise LedgerError(
            f"{path}: an empty file, no ledger; take it away, or name another with --ledger"
            if path.stat().st_size == 0
            else f"{path}: a database, but no ledger of gcodetool; name another with --ledger"
        )
    _refuse_newer(ledger, version)
    return ledger, version


def _sqlite_engine(path: Path) -> Engine:
    folder_writable = _writable(path.parent)
    # without a folder to write in, SQLite cannot keep its log beside the file; nobody else can change it then
    how = "" if folder_writable and (_writable(path) or not path.exists()) else "?mode=ro"
    if how and not folder_writable and not path.with_name(path.name + "-shm").exists():
        how += "&immutable=1"
    address = f"{sqlite_uri(path.absolute())}{how}" if how else str(path)
    return create_engine(
        "sqlite://",
        poolclass=NullPool,
        creator=lambda: _sqlite_connection(address, uri=bool(how)),
    )


def sqlite_uri(path: PurePath) -> str:
    """Return the address of a file for SQLite, which takes no server's name where others have it.

    >>> from pathlib import PureWindowsPath
    >>> sqlite_uri(PureWindowsPath("C:/shop/shelf.sqlite")), sqlite_uri(PureWindowsPath("//disk/shop/shelf.sqlite"))
    ('file:///C:/shop/shelf.sqlite', 'file:////disk/shop/shelf.sqlite')
    """
    address = path.as_uri()
    return address if address.startswith("file:///") else "file:////" + address.removeprefix("file://")


def _writable(path: Path) -> bool:
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def _sqlite_connection(address: str, *, uri: bool) -> "object":
    import sqlite3

    # no implicit transactions: 'writing' and 'reading' begin them, the one with the lock, the other without
    conn = sqlite3.connect(address, timeout=patience_s(), isolation_level=None, uri=uri)
    try:
        conn.execute("PRAGMA fullfsync = ON")  # of macOS, whose fsync stops at the disk's cache
        conn.execute("PRAGMA synchronous = FULL")  # an acknowledged entry survives a power cut
    except BaseException:  # no database: nobody else would close it
        conn.close()
        raise
    conn.text_factory = _text  # a damaged text does not take the others with it
    return conn


_text = functools.partial(str, encoding="utf-8", errors="surrogateescape")  # no Python in between


def _make_sqlite(path: Path) -> None:
    """Make a ledger whole or not at all: in a file of another name, which then takes its place if it is free."""
    try:
        own_folder(path.parent)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        os.close(handle)  # empty, and its owner's alone: so stay the ledger, and SQLite's files beside it
    except OSError as error:
        raise LedgerError(
            f"{path}: the ledger cannot be made: {error.strerror}; name another with --ledger"
        ) from error
    draft = Path(name)
    ledger = Ledger(str(path), _sqlite_engine(draft), draft)
    try:
        with _explained(ledger):
            with ledger.engine.connect() as conn:
                conn.exec_driver_sql("PRAGMA journal_mode = WAL")
            with writing(ledger) as conn:
                forward(conn, version=0, now_us=now_us())
        with (
            contextlib.suppress(FileExistsError),
            making(f"{path} was made"),
        ):  # or somebody else made one meanwhile
            _put(draft, path)
    finally:
        for rest in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                draft.with_name(draft.name + rest).unlink()


def _put(draft: Path, path: Path) -> None:
    """Give *draft* the name *path*, unless that is taken."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if path.exists():
            raise FileExistsError from None
        draft.rename(path)


def copy(ledger: Ledger, target: Path) -> None:
    """Write a consistent copy of an SQLite ledger to *target*, whole or not at all."""
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    os.close(handle)
    draft = Path(name)
    try:
        with _explained(ledger), ledger.engine.connect() as conn:
            _copy_pages(conn.connection.driver_connection, draft)
        on_disk(draft)
        take_place(draft, target)
    finally:
        with contextlib.suppress(OSError):  # gone already, or a rest that changes nothing of what was done
            draft.unlink()


def _copy_pages(source: Any, draft: Path) -> None:
    """Copy a database as it stands at one moment; *draft* may have any name."""
    import sqlite3

    try:
        with contextlib.closing(sqlite3.connect(draft)) as into:
            source.backup(into)
    except sqlite3.Error as error:
        raise DBAPIError("backup", None, error) from error


# ---------------------------------------------------------------- a server


SHOWN: Final = ("host", "port")  # of a URL's query: whatever else stands there may be a secret


def _shown(url: URL) -> str:
    """Return a URL as messages show it: without the password, and without all that may hold one."""
    query = {key: value for key, value in url.query.items() if key in SHOWN}
    return url.set(query=query).render_as_string(hide_password=True)


def _without_secrets(said: str, url: URL) -> str:
    """Return what a database said, without a password that it may repeat."""
    secrets = [str(url.password or ""), *(str(value) for key, value in url.query.items() if key not in SHOWN)]
    for secret in filter(None, secrets):
        said = said.replace(secret, "***")
    return said


def _open_server(chosen: str, *, make: bool) -> Ledger:
    try:
        url = make_url(chosen)
        if url.get_backend_name() != "postgresql":
            raise LedgerError(
                f"--ledger: '{url.get_backend_name()}' is no kind of ledger; write a path, or postgresql://user@host/database"
            )
        if url.drivername == "postgresql":
            url = url.set(drivername="postgresql+psycopg")
        where = _shown(url)
        engine = create_engine(
            url, poolclass=NullPool, connect_args={"connect_timeout": max(2, int(patience_s()))}
        )
    except (ArgumentError, NoSuchModuleError, ValueError):
        raise LedgerError("--ledger: the URL cannot be read; write postgresql://user@host/database") from None
    except ImportError:
        raise LedgerError(
            "a PostgreSQL ledger needs the 'postgres' extra; install it: pip install 'gcodetool[postgres]'"
        ) from None
    ledger = Ledger(where, engine, None)
    with _explained(ledger), engine.connect() as conn:
        version = version_of(conn)
    _refuse_newer(ledger, version)
    if version == 0 and not make:
        raise LedgerError(f"{where}: no ledger there; 'gcodetool place add' and 'spool add' begin one")
    if version < NEWEST:
        with _explained(ledger), engine.begin() as conn:
            conn.exec_driver_sql(f"SELECT pg_advisory_xact_lock({POSTGRES_LOCK})")
            forward(conn, version=version_of(conn), now_us=now_us())
    return ledger


def _refuse_newer(ledger: Ledger, version: int) -> None:
    if version > NEWEST:
        raise LedgerError(
            f"{ledger.where}: written by a newer gcodetool (schema {version}, this one knows {NEWEST}); "
            "update gcodetool"
        )


# ---------------------------------------------------------------- transactions


@contextlib.contextmanager
def reading(ledger: Ledger) -> Iterator[Connection]:
    """Give a connection that sees one moment of the ledger."""
    with _explained(ledger), ledger.engine.connect() as conn:
        if ledger.path is not None:
            conn.exec_driver_sql("BEGIN")
        else:
            conn.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield conn
        conn.rollback()


@contextlib.contextmanager
def writing(ledger: Ledger, *, patience: float | None = None) -> Iterator[Connection]:
    """Give a connection that holds the ledger's lock; all is kept at the end, or nothing.

    Where the server goes away while it confirms, a second look tells whether the entries are there.
    """
    wait_ms = int(1000 * (patience_s() if patience is None else patience))
    with _explained(ledger), ledger.engine.connect() as conn:
        if ledger.path is not None:
            if patience is not None:
                conn.exec_driver_sql(f"PRAGMA busy_timeout = {wait_ms}")
            conn.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            conn.exec_driver_sql(f"SET LOCAL lock_timeout = {wait_ms}")
            conn.exec_driver_sql("LOCK TABLE entry IN SHARE ROW EXCLUSIVE MODE")
        call = uuid.uuid4().hex
        conn.info[CALL] = call
        try:
            if ledger.form is not None:
                take(conn, ledger.form)
            yield conn
        except BaseException:
            with contextlib.suppress(SQLAlchemyError):
                conn.rollback()
            raise
        try:
            with making(_said(ledger, conn)) if conn.info.get(WROTE) else contextlib.nullcontext():
                conn.commit()
        except DBAPIError as error:
            if ledger.path is not None:
                with contextlib.suppress(SQLAlchemyError):
                    conn.rollback()
                raise
            if not conn.info.get(WROTE):
                return
            if _arrived(ledger, call, error):
                with making(_said(ledger, conn)):
                    return
            raise


def _said(ledger: Ledger, conn: Connection) -> str:
    """Return in words what a transaction writes."""
    numbers = conn.info.get(NUMBERS) or [0]
    which = f"entry {numbers[0]}" if len(numbers) == 1 else f"entries {numbers[0]} to {numbers[-1]}"
    return f"{which} of {ledger.where} {'was' if len(numbers) == 1 else 'were'} noted"


def _arrived(ledger: Ledger, call: str, error: DBAPIError) -> bool:
    """Return whether entries are there although the server did not confirm them.

    Raises
    ------
    LedgerError
        The server does not come back, so nobody knows.
    """
    for attempt in range(RECONNECTS):
        time.sleep(0.2 * 2**attempt)
        try:
            with ledger.engine.connect() as conn:
                return (
                    conn.execute(select(ENTRIES.c.number).where(ENTRIES.c.call == call)).first() is not None
                )
        except SQLAlchemyError:
            continue
    raise LedgerError(
        f"{ledger.where}: the server went away while it was writing; whether the entry is there is not known: "
        "look at its history with 'gcodetool spool show' before you repeat it"
    ) from error


@contextlib.contextmanager
def _explained(ledger: Ledger) -> Iterator[None]:
    """Turn what a database says into one line: what, where, what to do."""
    try:
        yield
    except DBAPIError as error:
        text = explain(_without_secrets(str(error.orig), ledger.engine.url), ledger.path is None)
        kind = DamagedError if text == DAMAGED else LedgerError
        raise kind(f"{ledger.where}: {text}") from None
    except SQLAlchemyError as error:
        first = _without_secrets(str(error), ledger.engine.url).split("\n", 1)[0]
        raise LedgerError(f"{ledger.where}: {first}; run 'gcodetool ledger check'") from None
    except UnicodeDecodeError:  # SQLite's own words about a damaged table, or that table's name
        raise DamagedError(f"{ledger.where}: {DAMAGED}") from None
    except MemoryError:
        raise
    except OSError as error:
        if error.filename is not None and ledger.path is None:
            raise
        raise LedgerError(f"{ledger.where}: {error.strerror or error}; check disk and permissions") from error


DAMAGED: Final = (
    "the ledger's file is damaged, so SQLite cannot read it on; "
    "'gcodetool ledger restore FILE' puts a backup in its place"
)
REASONS: Final = (
    ("locked", "another program holds the ledger: try again when it is done"),
    ("lock timeout", "another program holds the ledger: try again when it is done"),
    ("readonly", "the ledger may not be written: check its permissions and its folder's"),
    ("read-only", "the ledger may not be written: check the permissions"),
    ("permission denied", "no permission: check the permissions"),
    ("unable to open", "cannot be opened; check that it is a file, and its permissions and its folder's"),
    ("is full", "the disk is full: free some space and try again"),
    ("no space", "the disk is full: free some space and try again"),
    ("disk i/o error", "the disk refused (full, or failing): check it, then 'gcodetool ledger check'"),
    ("malformed", DAMAGED),
    ("not a database", "not a ledger, or damaged; name another with --ledger, or put a backup in its place"),
    ("no such table", "a part of the ledger is missing; put a backup in its place"),
    ("password", "the server wants another user or password; correct the URL after --ledger"),
    ("does not exist", "not there; correct the URL after --ledger"),
)  # fmt: skip


def explain(said: str, server: bool) -> str:
    """Return what to do about a database's own words.

    >>> explain("database is locked", False)
    'another program holds the ledger: try again when it is done'
    """
    lowered = said.lower()
    for sign, text in REASONS:
        if sign in lowered:
            return text
    first = " ".join(said.split())[:160]
    if server:
        return f"the server cannot be reached or went away ({first}): try again when it is back"
    return f"{first}; run 'gcodetool ledger check'"
