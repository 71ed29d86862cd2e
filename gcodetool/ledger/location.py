"""Where the ledger lies: the call's word, the environment's, or the user's data folder.  Opens nothing.

A word may hold a password; no message here repeats it.  Left out: opening (``store``), which is slow to import; a
command that finds no ledger never gets there.
"""

import os
from pathlib import Path
from typing import Final

import platformdirs

from gcodetool.errors import LedgerError
from gcodetool.quickpattern import compiled

ENVIRONMENT: Final = "GCODETOOL_LEDGER"
FILE: Final = "ledger.sqlite"
SQLITE: Final = "sqlite:///"
LIKE_URL: Final = compiled(r"[A-Za-z][A-Za-z0-9+.-]+:/")  # one letter and a colon is a drive
LIKE_WORDS: Final = compiled(r"(?:^|\s)(?:host|hostaddr|port|dbname|user|password|service|passfile)\s*=")


def is_url(word: str) -> bool:
    """Return whether a word is a database URL and not a path."""
    return "://" in word


def place_of(word: str | None) -> str:
    """Return path or URL of the ledger."""
    chosen = word or os.environ.get(ENVIRONMENT)
    return chosen or str(platformdirs.user_data_path("gcodetool") / FILE)


def path_of(chosen: str) -> Path | None:
    """Return the file that a path or URL names; None for a server.

    >>> path_of("sqlite:///shelf.sqlite").name, path_of("postgresql://shop@host/shelf")
    ('shelf.sqlite', None)

    Raises
    ------
    LedgerError
        It was meant as a server's address, and would become a file whose name holds a password.
    """
    if is_url(chosen):
        return Path(chosen.removeprefix(SQLITE)).expanduser() if chosen.startswith(SQLITE) else None
    if LIKE_URL.match(chosen) or LIKE_WORDS.search(chosen):
        raise LedgerError(
            "--ledger: neither a path nor a URL; write a path, or postgresql://user@host/database with two slashes "
            "(the password best in a file that only you may read: ~/.pgpass)"
        )
    return Path(chosen).expanduser()


def exists(word: str | None) -> bool:
    """Return whether there may be a ledger: a file that is there, or any server."""
    path = path_of(place_of(word))
    return path is None or path.exists()
