"""What prints and looks at the nozzle say: each word as signs that show or not, likelier the wetter the strand.

A question with ordered words (none, few, many) is a row of signs, each with a yes or a no: were there any, were there
many.  Each is logistic in ln(content/limit) by itself; that many without any cannot be is left aside (it would take 7 %
off the chance at most).  A sign belongs to the good or to the marginal limit, and that is what these limits mean: half
of all prints at the good limit string a little, half of those at the marginal limit show bubbles.
Left out: whose content it was (``evidence``), and where limits lie (``learning``).
"""

import functools
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.inspections import FEW, MANY, OOZES, POPS

WRONG: Final = 0.04  # answers that say nothing: a slip of the eye or the finger (own estimate)

Floats = NDArray[np.float64]
Limit = Literal["good", "marginal"]
LIMITS: Final[tuple[Limit, Limit]] = ("good", "marginal")


@dataclass(frozen=True)
class Sign:
    """One yes or no: even at *factor* times its limit, and how gradual that is, *width* of the logistic."""

    limit: Limit
    factor: float
    width: float


# Where looks at the nozzle turn is as members learn from them; the others are own estimates.  All are sharper than
# there: how far spools differ is a question apart here (``learning``).
SHARP: Final = 0.25
SIGNS: Final[dict[str, tuple[Sign, ...]]] = {
    "strings": (Sign("good", 1.0, SHARP), Sign("marginal", 1.0, SHARP)),
    "bubbles": (Sign("marginal", FEW[0], SHARP), Sign("marginal", MANY[0], SHARP)),
    "surface": (Sign("marginal", 1.0, SHARP), Sign("marginal", 2.0, SHARP)),
    "parts": (Sign("marginal", 1.0, SHARP), Sign("marginal", 2.0, SHARP)),
    "oozes": (Sign("marginal", OOZES[0], SHARP),),
    "pops": (Sign("marginal", POPS[0], SHARP),),
    "tested": (Sign("marginal", 1.0, SHARP),),
}
WORDS: Final[dict[str, tuple[str, ...]]] = {  # the better word first, as many as signs and one more
    "strings": ("none", "few", "many"),
    "bubbles": ("none", "few", "many"),
    "surface": ("smooth", "matt", "rough"),
    "parts": ("good", "usable", "scrap"),
    "oozes": ("no", "yes"),
    "pops": ("no", "yes"),
    "tested": ("holds", "worse"),
}


@dataclass(frozen=True)
class Answer:
    """A sign and whether it showed."""

    sign: Sign
    passed: bool

    @property
    def line(self) -> tuple[float, float]:
        """Start and slope of its chance over the share of strands that show the sign."""
        if self.passed:
            return WRONG / 2.0, 1.0 - WRONG
        return 1.0 - WRONG / 2.0, WRONG - 1.0


Said = tuple[tuple[str, str], ...]  # (question, word) of those that were answered


@functools.cache
def answers(said: Said) -> tuple[Answer, ...]:
    """Return the signs that words speak of.

    >>> [(each.sign.factor, each.passed) for each in answers((("bubbles", "few"),))]
    [(1.0, True), (2.0, False)]

    Raises
    ------
    KeyError, ValueError
        An unknown question, an unknown word.
    """
    found: list[Answer] = []
    for question, word in said:
        reached = WORDS[question].index(word)
        found += [Answer(sign, i < reached) for i, sign in enumerate(SIGNS[question])]
    return tuple(found)


def shown(sign: Sign, log_content: Floats, log_limit: Floats) -> Floats:
    """Return the share of strands that show a sign, of each content under each limit, (*contents, limits). [-]"""
    wet = np.exp((log_content - np.log(sign.factor)) / sign.width)
    found = np.multiply.outer(1.0 / wet, np.exp(log_limit / sign.width))
    found += 1.0
    return np.asarray(np.reciprocal(found, out=found))


def log_chance(answer: Answer, log_ratio: Floats, *, wider: float = 1.0) -> Floats:
    """Return ln of the chance of an answer where the content is exp(*log_ratio*) of its limit; any shape.

    Parameters
    ----------
    wider
        Times the width of the logistic.
    """
    sign = answer.sign
    up = np.clip((log_ratio - np.log(sign.factor)) / (sign.width * wider), -50.0, 50.0)
    chance = 1.0 / (1.0 + np.exp(-up if answer.passed else up))
    return np.asarray(np.log(WRONG / 2.0 + (1.0 - WRONG) * chance))
