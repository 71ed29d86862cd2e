"""Who may write through the page: devices, sensors and calendars, and the secret that signs cookies and forms.

The secret lies in a file of the user's data folder that only its owner may read; the ledger holds digests alone.
"""

import os
import secrets
from pathlib import Path
from typing import Final

import platformdirs

from gcodetool.app.noting import opened
from gcodetool.changes import collected
from gcodetool.errors import InputError, WriteError
from gcodetool.ledger import access
from gcodetool.ledger.access import Pass as Pass  # noqa: PLC0414  # what pages are told
from gcodetool.ledger.access import Role
from gcodetool.textfile import own_folder, read_text

SECRET: Final = "GCODETOOL_SERVE_SECRET"  # another file for it
FILE: Final = "serve.secret"


def secret() -> str:
    """Return this machine's secret, made where there is none.

    Raises
    ------
    InputError, WriteError
        Its file cannot be read or made.
    """
    path = Path(os.environ.get(SECRET) or platformdirs.user_data_path("gcodetool") / FILE)
    if not path.exists():
        try:
            own_folder(path.parent)
            with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                file.write(secrets.token_urlsafe(32))
        except FileExistsError:
            pass  # somebody else made one meanwhile
        except OSError as error:
            raise WriteError(
                f"{path}: the secret cannot be kept: {error.strerror}; check the folder"
            ) from None
    found = read_text(path, InputError, "secret").strip()
    if len(found) < 32:
        raise InputError.at(path, None, "too short to be a secret; delete it, and all devices pair again")
    return found


def grant(name: str, role: Role, *, place: str | None = None, ledger: str | None = None) -> str:
    """Let a device, sensor or calendar in, and return its token; errors as of ``ledger.access.grant``."""
    with collected():
        return access.grant(opened(ledger), name, role, place=place)


def who(token: str, *, ledger: str | None = None) -> Pass | None:
    """Return whose token this is, and note that it came; None: nobody's."""
    shelf = opened(ledger)
    found = access.known(shelf, token)
    if found is not None:
        with collected():
            access.came(shelf, found)
    return found


def visitors(*, ledger: str | None = None) -> list[Pass]:
    """Return all that may come in, by name."""
    return access.listed(opened(ledger))


def drop(name: str, *, ledger: str | None = None) -> None:
    """Let somebody in no more.

    Raises
    ------
    LedgerError
        Nobody has that name.
    """
    access.drop(opened(ledger), name)
