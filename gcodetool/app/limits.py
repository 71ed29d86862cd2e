"""``limits``: what one's own prints say about how wet is too wet, and taking it over for verdicts.

Nothing learned is used before it is adopted.  Left out: how it is learned (``limits``).
"""

import datetime
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool import profiledata, profiles
from gcodetool.app import limits_summary
from gcodetool.app.limits_evidence import MaterialSpools, Progress
from gcodetool.app.resolve import Moment, clock, snapshots_of
from gcodetool.errors import ProfileError, UsageError
from gcodetool.gcode.edits import write_atomic
from gcodetool.limits.adopted import file_text
from gcodetool.limits.evidence import as_it_stands
from gcodetool.limits.findings import LEAST_RECORDS, LimitsFindings, findings, so_many
from gcodetool.moisture.history import state_at
from gcodetool.moisture.members import default_members
from gcodetool.textfile import read_text

if TYPE_CHECKING:
    from gcodetool.profiles import Material

MEMBERS: Final = 32  # of a replay for evidence: where a content lies matters, its tails less


@dataclass(frozen=True)
class AdoptedLimits:
    """What adopting did: the file, and the findings that it was made of."""

    path: Path
    found: LimitsFindings


def learned_limits(
    material: str,
    *,
    line: str | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
    progress: Progress | None = None,
) -> LimitsFindings:
    """Return what the ledger's prints say about a material's limits, or a maker's line of it.

    Parameters
    ----------
    material : a profile's name or alias.
    line : as spools of it state theirs.
    at, ledger : as for a check.
    members : of each replay; None: 32.
    progress : is told which spool is replayed.

    Raises
    ------
    ProfileError, UsageError, LedgerError
        No such material, no spool of that line, no ledger.
    """
    stated = material_as_stated(material)
    now_s = clock(at)
    spools = MaterialSpools(stated, ledger, now_s, members or MEMBERS)
    lines = spools.lines
    if line is not None and line not in lines:
        known = f"lines: {', '.join(lines)}" if lines else "none of its spools states one"
        raise UsageError(f"no spool of {stated.key} is of the line '{line}'; {known}")
    evidence = spools.evidence(progress)
    shelf_of = snapshots_of(ledger)
    candidates = [
        as_it_stands(state_at(one, now_s, members=default_members(members), shelf=shelf_of(one)))
        for one in spools.on_shelf
        if line is None or one.line == line
    ]
    used = _used(stated, line)
    found = findings(stated, used, evidence, [one for one in candidates if one is not None], line=line)
    limits_summary.keep(found, ledger)
    return found


def adopt_limits(
    material: str,
    *,
    line: str | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
    progress: Progress | None = None,
) -> AdoptedLimits:
    """Write a material of the user's own with the limits that prints taught; errors as in `learned_limits`, and:

    Raises
    ------
    UsageError
        Fewer than LEAST_RECORDS records.
    WriteError
        The file cannot be written.
    """
    found = learned_limits(material, line=line, at=at, members=members, ledger=ledger, progress=progress)
    if len(found.records) < LEAST_RECORDS:
        raise UsageError(
            f"{found.material} has {so_many(len(found.records))}, too few; note at least {LEAST_RECORDS} prints first: "
            "gcodetool spool outcome ID --strings none|few|many"
        )
    original = _stated_path(found.material)
    text = file_text(
        read_text(original, ProfileError, "material file"),
        found.stated,
        found.to_adopt,
        records=len(found.records),
        on=datetime.date.fromtimestamp(clock(at)).isoformat(),
        line=line,
    )
    path = profiledata.adopted_path(found.material, line)
    _read_back(text, original)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(path, [text.encode()])
    return AdoptedLimits(path, found)


def _read_back(text: str, original: Path) -> None:
    """Refuse a file that would not be read: its original is written in a way that cannot be taken over line by line."""
    with tempfile.TemporaryDirectory() as folder:
        tried = Path(folder) / original.name
        tried.write_text(text, encoding="utf-8")
        try:
            profiles.material(tried)
        except ProfileError as error:
            raise ProfileError.at(
                original, None, "adopted limits cannot be put into this file; write its keys one a line"
            ) from error


def drop_limits(material: str, *, line: str | None = None) -> Path:
    """Take adopted limits back: the stated ones hold again.

    Raises
    ------
    ProfileError, UsageError
        No such material; none of its limits are adopted.
    """
    key = material_as_stated(material).key
    path = profiledata.adopted_path(key, line)
    if not path.is_file():
        whose = key if line is None else f"the line '{line}' of {key}"
        raise UsageError(f"no limits of {whose} are adopted; nothing was changed")
    path.unlink()
    return path


def material_as_stated(name: str) -> "Material":
    """Return a material as its maker states it, whatever was adopted."""
    return profiles.material(_stated_path(name))


def _stated_path(name: str) -> Path:
    path = profiledata.lookup("materials", name, adopted=False)
    if path is None:
        raise ProfileError(profiledata.unknown("materials", name))
    return path


def _used(stated: "Material", line: str | None) -> "Material":
    """Return a material as verdicts on a spool of that line use it."""
    for each in (line, None):
        path = profiledata.adopted_path(stated.key, each)
        if path.is_file():
            return profiles.material(path)
    return stated
