"""Evidence computed before: a sealed entry of one spool's prints, and the key under which it fits.

Left out: where entries lie (``app.limits``).
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from gcodetool.cachefile import seal, unseal
from gcodetool.limits.evidence import Evidence
from gcodetool.moisture import snapshot
from gcodetool.moisture.record import Spool

KIND: Final = "evidence/1"
SUFFIX: Final = ".evidence"
MOST: Final = 20_000  # spools' entries; beyond it the older half goes


def key_of(spool: Spool, members: int) -> str:
    """Return the hash of all that a spool's evidence rests on: its record, its neighbours', places, material."""
    return snapshot.joint_key([(one, one.events, members) for one in (spool, *spool.neighbours)])


def sealed(evidence: Sequence[Evidence]) -> bytes:
    """Return one spool's evidence as an entry; an empty one is an entry, too."""
    facts = [[one.spool, one.line, one.at_s, one.said, one.shift, one.power] for one in evidence]
    weights = evidence[0].weights if evidence else np.ones(1)
    columns = np.array([weights, *(one.content for one in evidence)], dtype="<f8")
    return seal(KIND, {"prints": facts, "members": int(weights.size)}, columns.tobytes())


def unsealed(data: bytes | None) -> list[Evidence] | None:
    """Return what was sealed; None where it is no whole entry."""
    return unseal(KIND, data, _built)


def _built(facts: dict[str, Any], columns: bytes) -> list[Evidence] | None:
    table = np.frombuffer(columns, dtype="<f8").reshape(-1, facts["members"])
    if table.shape[0] != len(facts["prints"]) + 1:
        return None
    return [
        Evidence(spool, line, at_s, tuple((key, word) for key, word in said), content, table[0], shift, power)
        for (spool, line, at_s, said, shift, power), content in zip(facts["prints"], table[1:], strict=True)
    ]
