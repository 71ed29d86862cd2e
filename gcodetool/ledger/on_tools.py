"""Which spools are on a printer, and on which of its tools; and what is to be said where that is not sure.

Left out: noting that a spool goes there (``writers``).
"""

from sqlalchemy import Connection

from gcodetool.ledger import records
from gcodetool.shell import shell_word


def mounted_on(conn: Connection, printers: list[str], at_us: int) -> dict[int | None, list[tuple[str, int]]]:
    """Return tool → (spool, since [µs]) of those mounted on printers at a moment, the last one first."""
    found: dict[int | None, list[tuple[str, int]]] = {}
    for spool_id, place in records.at_places(conn, at_us).items():
        if place in printers:
            since_us, _, tool = records.spool(conn, spool_id).stay(at_us)
            found.setdefault(tool, []).append((spool_id, since_us))
    return {tool: sorted(each, key=lambda one: -one[1]) for tool, each in found.items()}


def said_of_mounted(conn: Connection, spool_id: str, place: str, tool: int | None, at_us: int) -> list[str]:
    """Return what is to be said of others on a printer where a spool comes to it; *tool*: None where that is not said."""
    mounted = {
        each: [name for name, on in found if name != spool_id and on]
        for each, found in mounted_on(conn, [place], at_us).items()
    }
    notes = [
        f"{other} is noted on {place}{'' if tool is None else f', tool {tool}'} too; "
        f"say where it went: gcodetool spool move {other} PLACE"
        for other in mounted.get(tool, [])
    ]
    on = [f"{name} on tool {each}" for each, names in sorted(_with_tool(mounted)) for name in names]
    unsaid = [spool_id] if tool is None and on else mounted.get(None, []) if tool is not None else []
    beside = f" beside {' and '.join(on)}" if tool is None else ""
    notes += [
        f"on which tool of {place} {name} is{beside} was not said: gcodetool spool move {name} {shell_word(place)} --tool N"
        for name in unsaid
    ]
    return notes


def _with_tool(mounted: dict[int | None, list[str]]) -> list[tuple[int, list[str]]]:
    return [(tool, names) for tool, names in mounted.items() if tool is not None]
