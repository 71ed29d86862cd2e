"""Evidence computed before: a sealed entry of one spool's prints, and the key under which it fits.

Left out: where entries lie (``app.limits``).
"""

import hashlib
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from gcodetool.cachefile import seal, unseal
from gcodetool.limits.evidence import Evidence
from gcodetool.moisture import snapshot
from gcodetool.moisture.record import Spool

KIND: Final = "evidence/2"
FIRST: Final = 4  # numbers of a print before its contents: moment, words, shift, power
SUFFIX: Final = ".evidence"
MOST: Final = 20_000  # spools' entries; beyond it the older half goes


def key_of(spool: Spool, members: int) -> str:
    """Return the hash of all that a spool's evidence rests on: its record, its line, its neighbours, places, material."""
    joint = snapshot.joint_key([(one, one.events, members) for one in (spool, *spool.neighbours)])
    return hashlib.sha256(f"{spool.line}\n{joint}".encode()).hexdigest()


def sealed(evidence: Sequence[Evidence]) -> bytes:
    """Return one spool's evidence as an entry; an empty one is an entry, too."""
    said = {words: i for i, words in enumerate(dict.fromkeys(one.said for one in evidence))}
    weights = evidence[0].weights if evidence else np.ones(1)
    facts = {
        "spool": evidence[0].spool if evidence else "",
        "line": evidence[0].line if evidence else None,
        "said": list(said),
        "members": int(weights.size),
    }
    numbers = [[one.at_s, said[one.said], one.shift, one.power, *one.content] for one in evidence]
    rows = np.array([[0.0] * FIRST + list(weights), *numbers], dtype="<f8")
    return seal(KIND, facts, rows.tobytes())


def unsealed(data: bytes | None) -> list[Evidence] | None:
    """Return what was sealed; None where it is no whole entry."""
    return unseal(KIND, data, _built)


def _built(facts: dict[str, Any], columns: bytes) -> list[Evidence] | None:
    rows = np.frombuffer(columns, dtype="<f8").reshape(-1, FIRST + facts["members"])
    spool, line, weights, contents = facts["spool"], facts["line"], rows[0, FIRST:], rows[1:, FIRST:]
    said = [tuple((key, word) for key, word in words) for words in facts["said"]]
    return [
        Evidence(spool, line, at_s, said[int(words)], content, weights, shift, power)
        for (at_s, words, shift, power), content in zip(rows[1:, :FIRST].tolist(), contents, strict=True)
    ]
