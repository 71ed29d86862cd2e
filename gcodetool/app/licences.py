"""Under which licences gcodetool and what it runs on stand, as the installed packages state it themselves.

Followed from package to package as they require each other; of gcodetool's own extras only those that a user installs.
Left out: judging whether licences suit each other.
"""

import re
from dataclasses import dataclass
from importlib import metadata
from typing import Final

from gcodetool.errors import UsageError

OURS: Final = "gcodetool"
EXTRAS: Final = frozenset(("farm", "postgres"))
NEEDED: Final = re.compile(r"\s*(?P<name>[A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[(?P<extras>[^\]]*)\])?")
FOR_EXTRA: Final = re.compile(r"""extra\s*==\s*['"]([^'"]+)['"]""")
CLASSIFIED: Final = "License :: "
LONGEST: Final = 60  # of a licence's name; whatever is longer is its text
UNSTATED: Final = "not stated; see its own files"


@dataclass(frozen=True)
class Licence:
    """One package: its name, its version, what its licence is called, and who requires it."""

    package: str
    version: str
    licence: str
    needed_by: tuple[str, ...]


def licences() -> tuple[Licence, ...]:
    """Return gcodetool and every installed package that it or one of those requires, by name, itself first.

    Raises
    ------
    UsageError
        gcodetool runs without being installed, so nothing says what it requires.
    """
    found: dict[str, metadata.Distribution] = {}
    needed_by: dict[str, set[str]] = {}
    ahead: list[tuple[str, frozenset[str]]] = [(OURS, EXTRAS)]
    seen: set[tuple[str, frozenset[str]]] = set()
    while ahead:
        name, extras = ahead.pop()
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        try:
            found[name] = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            continue  # an extra, or for another system
        for other, wanted in _required(found[name], extras):
            needed_by.setdefault(other, set()).add(name)
            ahead.append((other, wanted))
    if OURS not in found:
        raise UsageError(
            "gcodetool runs without being installed, so nothing says what it requires; pip install it"
        )
    rows = [
        Licence(name, package.version, licence_of(package), tuple(sorted(needed_by.get(name, ()))))
        for name, package in found.items()
    ]
    return tuple(sorted(rows, key=lambda row: (row.package != OURS, row.package)))


def _required(package: metadata.Distribution, extras: frozenset[str]) -> list[tuple[str, frozenset[str]]]:
    """Return (name, its extras) of what a package requires, with some of its own extras."""
    rows = []
    for line in package.requires or ():
        words, _, condition = line.partition(";")
        extra = FOR_EXTRA.search(condition)
        match = NEEDED.match(words)
        if match is not None and (extra is None or extra[1] in extras):
            wanted = frozenset(word.strip() for word in (match["extras"] or "").split(",") if word.strip())
            rows.append((normal(match["name"]), wanted))
    return rows


def normal(name: str) -> str:
    """Return a package's name as all spellings of it are compared.

    >>> normal("Ruamel.YAML_clib")
    'ruamel-yaml-clib'
    """
    return re.sub(r"[-_.]+", "-", name).lower()


def licence_of(package: metadata.Distribution) -> str:
    """Return what a package calls its licence: its expression, else its classifiers, else its own word."""
    stated = package.metadata
    for expression in stated.get_all("License-Expression") or ():
        return str(expression)
    kinds = [line.rpartition(" :: ")[2] for line in stated.get_all("Classifier") or () if CLASSIFIED in line]
    word = "\n".join(map(str, stated.get_all("License") or ())).strip()
    if kinds:
        return ", ".join(kinds)
    return word if word and "\n" not in word and len(word) <= LONGEST else UNSTATED
