"""What an option is where a call leaves it out: as the user's ``gcodetool.toml`` states it."""

import os
from collections.abc import Callable
from typing import Any


def configured(name: str, otherwise: Any = None) -> Callable[[], Any]:
    """Return what gives an option its value where a call leaves it out: the user's ``gcodetool.toml``, else that."""

    def value() -> Any:
        from gcodetool.userdefaults import user_defaults

        stated = getattr(user_defaults(), name)
        return otherwise if stated is None else stated

    return value


def configured_ledger() -> str | None:
    """Return the ledger of the user's ``gcodetool.toml``, unless the environment names one."""
    from gcodetool.ledger.location import ENVIRONMENT

    return None if os.environ.get(ENVIRONMENT) else configured("ledger")()
