"""A workshop whose limits are known: prints of spools with limits of their own, judged by eyes with their own habits.

Not the model of `gcodetool.limits`: signs are cumulative and probit, spools differ by Student's t, the second word
begins where each workshop has it, contents are known with an error that members state only on average.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence

Floats = NDArray[np.float64]
MEMBERS = 16
ASKED = 0.7
TRUTH: dict[
    tuple[str, float], float
] = {}  # content of the last workshop's prints, as its own spools' limits take it
ORDERED = {
    "strings": ("none", "few", "many"),
    "bubbles": ("none", "few", "many"),
    "surface": ("smooth", "matt", "rough"),
    "parts": ("good", "usable", "scrap"),
}


@dataclass(frozen=True)
class Workshop:
    """What is true of one workshop: limits of its material [wt %], and how its people see."""

    good: float
    marginal: float
    width: float
    second: float  # the second word begins at so many times the marginal limit
    spread: float  # of spools
    mistaken: float


@dataclass(frozen=True)
class Print:
    """What was noted of a print, and its true content over the marginal limit of its own spool."""

    noted: Evidence
    of_marginal: float


def drawn_workshop(random: np.random.Generator, stated: tuple[float, float]) -> Workshop:
    """Return a workshop whose limits lie about the stated ones, by a third or more each way."""
    both = random.normal(0.0, 0.3)
    return Workshop(
        good=stated[0] * float(np.exp(both + random.normal(0.0, 0.2))),
        marginal=stated[1] * float(np.exp(both)),
        width=random.uniform(0.3, 0.6),
        second=random.uniform(1.5, 2.5),
        spread=random.uniform(0.08, 0.3),
        mistaken=random.uniform(0.0, 0.1),
    )


def prints_of(
    shop: Workshop,
    random: np.random.Generator,
    *,
    spools: int,
    each: int,
    wettest: float = 3.0,
    first: int = 0,
    around_limits: bool = False,
) -> list[Print]:
    """Return what a workshop notes of so many prints from each of so many spools, from dry ones to wet ones.

    *around_limits*: every other print within a factor of two of the good limit, the others of the marginal one, and
    every question answered: no thirty prints tell more.
    """
    found = []
    for number in range(first, first + spools):
        own = shop.spread * random.standard_t(5)
        doubt = random.uniform(0.1, 0.3)
        members = doubt * random.standard_normal(MEMBERS)
        error = doubt * random.uniform(0.7, 1.3) * random.standard_normal()
        for i in range(each):
            if around_limits:
                limit = (shop.marginal, shop.good)[len(found) % 2]
                content = limit * float(np.exp(random.uniform(-np.log(2.0), np.log(2.0))))
            else:
                content = shop.marginal * float(np.exp(random.uniform(np.log(0.2), np.log(wettest))))
            said = seen(shop, random, content, own, asked=1.0 if around_limits else ASKED)
            known = content * np.exp(error + members)
            weights = np.full(MEMBERS, 1.0 / MEMBERS)
            noted = Evidence(f"reel-{number}", None, float(i), said, known, weights)
            found.append(Print(noted, content / shop.marginal * float(np.exp(-own))))
    return found


def seen(
    shop: Workshop, random: np.random.Generator, content: float, own: float, *, asked: float = ASKED
) -> tuple[tuple[str, str], ...]:
    """Return what its people say of a print at *content*, on a spool whose limits lie off by *own* [ln of a factor].

    *asked*: the share of questions that they answer.
    """
    said = []
    for word in [word for word in ORDERED if random.random() < asked] or ["strings"]:
        low = shop.good if word == "strings" else shop.marginal
        high = shop.marginal * (1.1 if word == "strings" else shop.second)
        felt = np.log(content) - own + shop.width * random.standard_normal()
        level = int(felt > np.log(low)) + int(felt > np.log(max(low, high)))
        if random.random() < shop.mistaken:
            level = int(random.integers(3))
        said.append((word, ORDERED[word][level]))
    return tuple(said)
