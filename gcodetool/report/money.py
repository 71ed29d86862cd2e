"""Amounts of money as a person reads them: in the currency that the user's ``gcodetool.toml`` names, where it does."""

from gcodetool.userdefaults import user_defaults


def money(amount: float) -> str:
    """Return an amount with its currency; a bare number where none is named."""
    return f"{amount:.2f} {currency()}".rstrip()


def currency() -> str:
    """Return the user's currency; nothing where none is named."""
    return user_defaults().currency or ""
