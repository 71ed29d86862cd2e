"""What is said of a spool in a dryer: the same words in ``drying status``, ``fit`` and ``plan``, and on the list."""

import math
from typing import Final

from gcodetool.drying.status import CONFIDENCE, HORIZON_S, DryingStatus, OnScale
from gcodetool.drying.too_hot import too_hot_now
from gcodetool.drying.words import content, degrees, hours
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles

AIMS: Final = {"good": "dry", "target": "there", "job": "dry enough"}
CLOSE: Final = (
    1.5**2
)  # p90 over p10 up to which the middle is a figure to go by: then 8 in 10 are within a factor 1.5

LIKELY: Final = 0.85  # of the members that an air gets there: 9 chances in 10 or more go without saying


def headline(said: DryingStatus) -> str:
    """Return the answer and what to do, in one line; first that it is too hot there."""
    hot = "" if said.too_hot is None else f"{too_hot_now(said.too_hot)}. "
    return f"{hot}{_answer(said)}"


def _answer(said: DryingStatus) -> str:
    if said.word == "cannot":
        return _cannot(said)
    return _take_out(said) if said.take_out else _not_yet(said)


def short(said: DryingStatus) -> str:
    """Return the answer in few words, for a list."""
    return f"{'' if said.too_hot is None else 'too hot; '}{_short(said)}"


def _short(said: DryingStatus) -> str:
    if said.word == "done":
        return f"{AIMS[said.goal]}, take it out"
    if said.word == "cannot":
        return f"this air cannot get it {AIMS[said.goal]}"
    if said.take_out:
        return f"no drier here, {AIMS[said.goal]} by {chances(said.share)}: take it out"
    return f"not {AIMS[said.goal]} yet, {to_go(said)}"


def sure_then(said: DryingStatus) -> str:
    """Return what is said of the moment at which a spool that is not dry yet surely is."""
    return f"it is surely {aim(said)} then, 19 chances in 20; now {against(said)}"


def is_close(times: Quantiles) -> bool:
    """Return whether a time is known well enough to be told as one figure; without a band it is all there is.

    >>> is_close(Quantiles(3600.0, 5400.0, 8000.0)), is_close(Quantiles(3600.0, 5400.0, 9000.0))
    (True, False)
    """
    if times.p10 is None or times.p90 is None:
        return True
    return times.p90 <= CLOSE * times.p10


def to_go(said: DryingStatus) -> str:
    """Return the hours to go, a range where they are not known closely; of a reel likely there, those until it is sure."""
    seconds = said.to_go_s.p50
    if seconds == 0.0:
        return "not sure" if said.sure_s is None else f"{hours(said.sure_s)} to be sure"
    if not math.isfinite(seconds):
        return f"more than {hours(HORIZON_S)} to go"
    if is_close(said.to_go_s):
        return f"{hours(seconds)} to go"
    return f"{_between(said.to_go_s)} to go"


def to_go_at_length(said: DryingStatus, *, row: bool = False) -> str:
    """Return the same with the band, or with how sure the range is and what would make it closer; *row*: it is called so."""
    band, text = said.to_go_s, to_go(said).removesuffix(" to go" if row else "")
    if is_close(band):
        return f"{text}{span(band)}"
    if band.p50 == 0.0 or not math.isfinite(band.p50):
        return text
    text += f" ({8 if band.p10 else 9} chances in 10)"  # from p10 to p90, or up to p90
    return text if said.weigh_next is None else f"{text}, not known closer before the next weigh-in"


def _between(times: Quantiles) -> str:
    """Return a wide band in words.

    >>> _between(Quantiles(3600.0, 7200.0, math.inf)), _between(Quantiles(0.0, 60.0, 7200.0))
    ('1 h to more than 96 h', 'up to 2 h')
    """
    low, high = times.p10 or 0.0, times.p90
    most = hours(high) if high is not None and math.isfinite(high) else f"more than {hours(HORIZON_S)}"
    return f"{hours(low)} to {most}" if low > 0.0 else f"up to {most}"


def span(times: Quantiles) -> str:
    """Return a band of times in brackets; nothing where there is none.

    >>> span(Quantiles(3600.0, 7200.0, math.inf)), span(Quantiles(None, 7200.0, None))
    (' (1 h to more than 96 h)', '')
    """
    if times.p10 is None or times.p90 is None:
        return ""
    ends = [
        hours(one) if math.isfinite(one) else f"more than {hours(HORIZON_S)}"
        for one in (times.p10, times.p90)
    ]
    return "" if ends[0] == ends[1] else f" ({'now' if times.p10 == 0.0 else ends[0]} to {ends[1]})"


def against(said: DryingStatus) -> str:
    """Return the wettest turns beside what is asked of them."""
    if said.goal_wt_pct is None:
        return f"its wettest turns hold {content(said.wettest_wt_pct.p50)}"
    what = "good is up to" if said.goal == "good" else "asked for"
    return f"its wettest turns hold {content(said.wettest_wt_pct.p50)}, {what} {content(said.goal_wt_pct)}"


def chances(share: float) -> str:
    """Return a share of the members as chances.

    >>> chances(0.71), chances(0.999)
    ('7 chances in 10', '9 chances in 10')
    """
    return f"{min(9, max(1, round(10 * share)))} chances in 10"


def where(said: DryingStatus) -> str:
    """Return the dryer as it runs."""
    return f"at {degrees(said.temperature_C)} in {said.dryer}"


def aim(said: DryingStatus) -> str:
    """Return what it is dried for."""
    if said.job is not None:
        return f"dry enough for {said.job.name}"
    return "dry" if said.goal == "good" or said.goal_wt_pct is None else f"at {content(said.goal_wt_pct)}"


def _take_out(said: DryingStatus) -> str:
    out = f"Take {said.spool} out" if said.inside else f"Leave {said.spool} out"
    if said.word == "done":
        return f"{out}: it is {aim(said)}; {against(said)}"
    return f"{out}: nothing more can be gained in this air; it is {aim(said)} by {chances(said.share)}; {against(said)}"


def _cannot(said: DryingStatus) -> str:
    if said.job is not None:
        line = f"This air cannot get {said.spool} {aim(said)}, not in {hours(HORIZON_S)} {where(said)}"
    else:
        line = (
            f"This air cannot get {said.spool} {aim(said)}: {where(said)} its wettest turns end at "
            f"{content(said.floor_wt_pct.p50)}, {'good is up to' if said.goal == 'good' else 'asked for'} "
            f"{content(said.goal_wt_pct)}"
        )
    if said.marginal is not None and said.marginal.p50_s is not None:
        marginal = said.marginal
        line += (
            "; marginal already" if marginal.p50_s == 0.0 else f"; marginal in {hours(marginal.p50_s or 0.0)}"
        )
    if said.because == "nothing-more" and said.inside:
        line += "; take it out, nothing more can be gained here"
    return f"{line}; 'drying plan {said.spool}' says what would do"


def _not_yet(said: DryingStatus) -> str:
    back = "" if said.inside else "; put it back in"
    name = f"{said.spool} is not {aim(said)} yet"
    if said.job is not None and said.job.clear_s == 0.0:
        return f"{name}: {said.job.now.because}{back}"
    if said.to_go_s.p50 == 0.0:
        sure = "" if said.sure_s is None else f", {hours(said.sure_s)} more to be sure of it"
        return (
            f"{said.spool} is not surely {aim(said)} yet: {chances(said.share)}{sure}; {against(said)}{back}"
        )
    return f"{name}: {to_go_at_length(said)}, {where(said)}{_whether(said)}; {against(said)}{back}"


def _whether(said: DryingStatus) -> str:
    """Return how likely this air gets it there at all, where that is open."""
    if said.job is not None or said.can_share >= LIKELY:
        return ""
    text = f"; {chances(said.can_share)} that this air gets it there at all"
    return (
        text
        if said.can_share >= CONFIDENCE
        else f"{text} ('drying plan {said.spool}' says what else would do)"
    )


def next_hour(said: DryingStatus, digits: int = 1) -> str:
    """Return what another hour brings."""
    lost = said.next_hour.loss_g.p50
    sign = "gained" if lost < 0 else "lost"
    return (
        f"{abs(lost):.{digits + 1}f} g {sign}, the wettest turns "
        f"{content(abs(said.next_hour_wt_pct))} {'wetter' if said.next_hour_wt_pct < 0 else 'drier'}"
    )


def weigh_next(said: DryingStatus) -> str | None:
    """Return when to weigh next and what the scale should show; None: not at all."""
    look = said.weigh_next
    if look is None:
        return None
    within = hours(max(look.at_s, HOUR_S / 12))
    also_now = ", and now" if look.gross_g is None else ""
    return f"in {within}{also_now}: {scale_shows(look)}"


def scale_shows(look: OnScale) -> str:
    """Return what a scale should show at some moment; of a reel never weighed, how much less than now."""
    if look.gross_g is None:
        return f"about {abs(look.loss_g.p50):.1f} g less by then"
    return f"about {look.gross_g.p50:.1f} g{_grams(look.gross_g)}"


def by_then(said: DryingStatus) -> str | None:
    """Return what the scale will show at the end of the hours to go; None: nothing to wait for, or never."""
    look = said.by_then
    if look is None or look.at_s == 0.0:
        return None
    if look.gross_g is None:
        return f"{abs(look.loss_g.p50):.1f} g less than now"
    return f"{look.gross_g.p50:.1f} g{_grams(look.gross_g)}"


def _grams(band: Quantiles) -> str:
    return "" if band.p10 is None or band.p90 is None else f" ({band.p10:.1f} to {band.p90:.1f})"
