"""What speaks against a series' answer, as data and in words: said first, before and after printing."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gcodetool.drying.words import content, hours


def percent(share: float) -> str:
    """Return a share as per cent, without needless digits.

    >>> percent(0.274), percent(0.0083)
    ('27 %', '0.8 %')
    """
    return f"{100 * share:.0f} %" if share >= 0.0995 or share == 0 else f"{100 * share:.1f} %"


def long_time(seconds: float) -> str:
    """Return hours up to two days, then days.

    >>> long_time(3600 * 5), long_time(86400 * 6.5)
    ('5 h', '6.5 days')
    """
    return hours(seconds) if seconds < 2 * 86_400 else f"{seconds / 86_400:.3g} days"


@dataclass(frozen=True)
class Doubt:
    """One doubt; ``kind`` tells it from others, ``text`` is what people read."""

    kind: str
    text: str

    # ---------------------------------------------------------------- before printing

    @classmethod
    def strand(cls, needed_mm: float, left_mm: float) -> "Doubt":
        """Return: the spool has less than all prints take."""
        return cls(
            "strand",
            f"the prints need {needed_mm / 1000:.1f} m with the reserve, the spool has {left_mm / 1000:.1f} m; plan fewer "
            "prints or states: a second reel would be another material",
        )

    @classmethod
    def never(cls, state: str, place: str, found: Any) -> "Doubt":
        """Return: a state's air does not lead to its target."""
        if found.wanted_rh_pct is None:
            return cls("never", f"{state}: in {place} the strand's middle is not there within five years")
        return cls(
            "never",
            f"{state}: the air of {place} ({found.rh_pct:.0f} % RH) does not lead to {content(found.target_wt_pct.p50)}; "
            f"that takes about {found.wanted_rh_pct:.0f} % RH ('gcodetool profiles list humidity' shows salts)",
        )

    @classmethod
    def no_heat(cls, state: str, place: str) -> "Doubt":
        """Return: a dryer that must not be run for it."""
        return cls("never", f"{state}: {place} cannot be run within the limits of material and reel")

    @classmethod
    def short_lived(cls, state: str, room: str, keeps_s: float, print_s: float) -> "Doubt":
        """Return: a state that is another one before its print ends."""
        takes = f"{print_s / 60.0:.0f} min" if print_s < 7200.0 else long_time(print_s)  # as in the calendar
        return cls(
            "short-lived",
            f"{state}: in the air of {room} a loose coil is another state after {long_time(keeps_s)}, and a print takes "
            f"{takes}; feed it from a box or bag that keeps its state",
        )

    @classmethod
    def too_few(
        cls, quantity: str, prints: int, smallest: float | None, wanted: float, needed: int | None
    ) -> "Doubt":
        """Return: prints are too few for the difference that matters."""
        shows = (
            "can show no difference at all"
            if smallest is None
            else f"can only show differences above {percent(smallest)}"
        )
        more = "more than 200" if needed is None else str(needed)
        return cls(
            "few-prints",
            f"{quantity}: {prints} print{'' if prints == 1 else 's'} per state {shows}; for {percent(wanted)} it takes "
            f"{more} per state",
        )

    @classmethod
    def few_ratings(cls, quantity: str, prints: int, needed: int) -> "Doubt":
        """Return: ratings of so few prints can show nothing."""
        return cls(
            "few-prints",
            f"{quantity}: a rating needs {needed} prints per state before even the clearest ratings show a difference; "
            f"{prints} tell{'s' if prints == 1 else ''} none",
        )

    @classmethod
    def assumed_spread(cls, quantity: str, spread: float) -> "Doubt":
        """Return: nobody knows how much prints differ by themselves."""
        return cls(
            "assumed-spread",
            f"{quantity}: its spread is assumed ({percent(spread)}); state spread_pct, or print one state five times first",
        )

    @classmethod
    def one_print(cls) -> "Doubt":
        """Return: one print a state."""
        return cls(
            "one-print",
            "one print per state cannot tell water from whatever else differs between two prints: bed, place, time of "
            "day, the way it was taken off; its specimens say how alike one print is, no more",
        )

    # ---------------------------------------------------------------- of what was printed

    @classmethod
    def missed(cls, state: str, print_: int, found: float, wanted: float, low: float, high: float) -> "Doubt":
        """Return: a print of a state whose strand was elsewhere."""
        return cls(
            "missed-state",
            f"{state}, print {print_}: its strand held {content(found)}, not {content(wanted)} "
            f"({content(low)} to {content(high)}); this print is of another state than was meant",
        )

    @classmethod
    def other_file(cls, state: str, print_: int) -> "Doubt":
        """Return: a print from other bytes."""
        return cls(
            "different-bytes",
            f"{state}, print {print_}: printed from another file than the others; what differs may be the file",
        )

    @classmethod
    def other_block(cls) -> "Doubt":
        """Return: the blocks before the first layer were not all alike."""
        return cls(
            "different-block",
            "the block before the first layer was not the same in all prints; prepare them with the same options",
        )

    @classmethod
    def other_reel(cls, state: str, print_: int, spool: str, reel: str) -> "Doubt":
        """Return: a print from another reel."""
        return cls(
            "second-reel",
            f"{state}, print {print_}: fed from {spool}, which is not of the reel {reel}; what differs may be the reel",
        )

    @classmethod
    def order(cls, where: Sequence[str]) -> "Doubt":
        """Return: prints were not made in the drawn order."""
        return cls(
            "order",
            f"not printed in the drawn order ({', '.join(where)}): what changed over the days may look like water",
        )

    @classmethod
    def unrecorded(cls, prints: Sequence[str]) -> "Doubt":
        """Return: results of prints that were not prepared."""
        return cls(
            "no-record",
            f"nobody noted what was printed ({', '.join(prints)}): neither file nor water is proved; prepare with --series",
        )

    @classmethod
    def corrected(cls, what: str, before: str, after: str) -> "Doubt":
        """Return: a value that was changed."""
        return cls(
            "corrected",
            f"{what}: corrected from {before} to {after}; the first value is kept, the last counts",
        )

    @classmethod
    def few(cls, state: str, quantity: str, prints: int, planned: int) -> "Doubt":
        """Return: fewer prints than planned."""
        return cls("few-prints", f"{state}: {quantity} of {prints} of {planned} prints so far")

    @classmethod
    def uneven(cls, quantity: str, times: float) -> "Doubt":
        """Return: spreads that differ much among states."""
        return cls(
            "uneven-spread",
            f"{quantity}: prints of one state scatter {times:.0f} times as much as those of another; the intervals take one "
            "spread for all",
        )

    @classmethod
    def below_zero(cls, quantity: str) -> "Doubt":
        """Return: values that have no ratio."""
        return cls(
            "no-ratio",
            f"{quantity}: some values are not above zero, so differences are taken, over the reference's mean",
        )
