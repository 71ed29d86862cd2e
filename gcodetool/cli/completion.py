"""What the shell completes: names of the shelf and of profiles, words of a list, and files where neither is meant.

bash, zsh, fish and PowerShell ask through click.  A name is looked up when it is asked for; what cannot be read
completes nothing, as a shell in the middle of a line is no place for a message.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import click
from click.shell_completion import CompletionItem

from gcodetool.cli.configured import configured_ledger
from gcodetool.errors import GcodetoolError

Completer = Callable[[click.Context, click.Parameter, str], list[Any]]
PROFILES: Final[
    dict[str, tuple[str | None, str | None]]
] = {  # which profiles answer to the names of a kind, and which places of the ledger do too
    "printer": ("printers", "printer"),
    "dryer": (None, "dryer"),
    "box": (None, "box"),
    "dryer or profile": ("dryers", "dryer"),
    "material": ("materials", None),
    "spool body": ("spool-bodies", None),
    "desiccant": ("desiccants", None),
    "salt": ("humidity", None),
}


def known_names(subject: str, ledger: str | None) -> list[str]:
    """Return the names of a kind: of spools and places those on the shelf, of others those of profiles too."""
    if subject == "profile":
        return [name for each, _ in PROFILES.values() if each is not None for name in _profile_names(each)]
    if subject in OTHERS:
        return list(OTHERS[subject](ledger))
    folder, kind = PROFILES.get(subject, (None, None))
    found = [] if folder is None else _profile_names(folder)
    if folder is not None and kind is None:
        return found
    return [*dict.fromkeys([*_shelf_names(subject, kind, ledger), *found])]


def _profile_names(folder: str) -> list[str]:
    from gcodetool import profiles

    return profiles.names(folder)


def _shelf_names(subject: str, kind: str | None, ledger: str | None) -> list[str]:
    """Return names of the ledger; none where there is no ledger."""
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return []
    from gcodetool.ledger import records, store

    with store.reading(store.open_ledger(ledger, make=False)) as conn:
        if subject == "spool":
            return records.on_shelf(conn)
        return [name for name, each in records.places(conn).items() if kind in (None, each.kind)]


def _series(ledger: str | None) -> Iterator[str]:
    from gcodetool.app.series import series_records

    return (each.plan.id for each in series_records(ledger=ledger))


def _noted(fact: str) -> Callable[[str | None], Iterable[str]]:
    """Return what lists the words that spools of the ledger state for a fact."""

    def words(ledger: str | None) -> Iterable[str]:
        from gcodetool.ledger import location, records, store

        if not location.exists(ledger):
            return []
        with store.reading(store.open_ledger(ledger, make=False)) as conn:
            stated = {str(each.facts[fact]) for each in records.spools(conn).values() if each.facts.get(fact)}
        return sorted(stated)

    return words


def _devices(ledger: str | None) -> Iterator[str]:
    from gcodetool.app.access import visitors

    return (each.name for each in visitors(ledger=ledger))


def _zones(ledger: str | None) -> list[str]:
    import zoneinfo

    return ["local", *sorted(zoneinfo.available_timezones())]


def _pages(ledger: str | None) -> Iterator[str]:
    from gcodetool.app.docs import docs_pages

    return (each.name for each in docs_pages())


OTHERS: Final[dict[str, Callable[[str | None], Iterable[str]]]] = {
    "series": _series,
    "line": _noted("line"),
    "colour": _noted("colour"),
    "device": _devices,
    "zone": _zones,
    "page": _pages,
}


def completing(subject: str, *, ends: str = "") -> Completer:
    """Return what completes a name, after ``TOOL=`` and after a comma too; none: the shell offers files.

    *ends* follows a name: the sign before its value.
    """

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        try:
            listed = known_names(subject, ctx.params.get("ledger") or configured_ledger())
        except GcodetoolError:
            return []
        return beginning(listed, incomplete, ends)

    return complete


def among(words: Iterable[str]) -> Completer:
    """Return what completes one of some words, after a comma too."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        return beginning(words, incomplete)

    return complete


def beginning(words: Iterable[str], incomplete: str, ends: str = "") -> list[str]:
    """Return the words that begin as the last part of *incomplete* does, with what stands before that part.

    >>> beginning(["petg-03", "pla-11"], "0=PE"), beginning(["clear", "dry-first"], "runs-out,d")
    (['0=petg-03'], ['runs-out,dry-first'])
    """
    begins = 1 + max(incomplete.rfind("="), incomplete.rfind(","))
    head, tail = incomplete[:begins], incomplete[begins:].casefold()
    return [f"{head}{word}{ends}" for word in words if word.casefold().startswith(tail)]


def files(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Let the shell offer files."""
    return [CompletionItem(incomplete, type="file")]


def of_series(what: str) -> Completer:
    """Return what completes a state or a quantity of the series that the call names, quantities with their ``=``."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[Any]:
        from gcodetool.app.series import series_show

        series_id = ctx.params.get("series") or _argument(ctx, "series_id")
        if series_id is None:
            return []
        try:
            plan = series_show(series_id, ledger=ctx.params.get("ledger") or configured_ledger()).plan
        except GcodetoolError:
            return []
        if what == "state":
            return beginning(plan.states, incomplete)
        return beginning(plan.quantities, incomplete, "=") or files(ctx, param, incomplete)

    return complete


def filaments(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Complete a filament of the bundle that the call names."""
    from gcodetool.app.adjust import filaments_of

    path = _argument(ctx, "profile")
    try:
        listed = [] if path is None else filaments_of(path)
    except GcodetoolError:
        return []
    return [name for name in listed if name.casefold().startswith(incomplete.casefold())]


def _argument(ctx: click.Context, name: str) -> Any:
    """Return the first argument; before an option without its value click has not given it its name yet."""
    return ctx.params.get(name) or next(iter(ctx.args), None)
