"""Every sentence that a verdict speaks, each from data that is decided elsewhere.

Nothing here works anything out, and nothing reads a sentence back.  Contents are told against the member's own
limit, at the share of the members that the verdict itself is told for.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final, Literal

from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.constants import HOUR_S
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.judge.findings import Exposure, FeedNeed
    from gcodetool.judge.heat_damage import HeatDamage
    from gcodetool.judge.latest_start import LatestStart
    from gcodetool.judge.outcomes import Judgement
    from gcodetool.judge.severity import Damage
    from gcodetool.moisture.stays import Stay

AT_ONCE_S: Final = 300.0

Origin = Literal["print-air", "never-dried", "drying", "dried-too-little", "picked-up"]


@dataclass(frozen=True)
class Cause:
    """Where too much water comes from.

    Attributes
    ----------
    origin
        ``print-air``: picked up while the job runs.  ``never-dried``: it came wet, and the record shows no
        drying.  ``drying``: it is in the dryer still.  ``dried-too-little``: wet when the last drying ended.
        ``picked-up``: dry enough then (or when it came), and wet now.
    drying
        The last drying, where there is one.
    places
        Where it stood since, the longest stay first.
    seconds
        How long ago the last drying ended, or it came.
    """

    origin: Origin
    drying: "Stay | None" = None
    places: tuple[str, ...] = ()
    seconds: float = 0.0


# ---------------------------------------------------------------- why


def verdict_reason(
    code: Code,
    judged: "Judgement",
    *,
    good_wt_pct: float,
    marginal_wt_pct: float,
    cause: Cause | None,
    air: str,
) -> str:
    """Return the reason of the model's verdict; limits are the median members'."""
    good = f"the good limit ({good_wt_pct:.3f} wt %)"
    marginal = f"the marginal limit ({marginal_wt_pct:.3f} wt %)"
    origin = "" if cause is None else f": {cause_reason(cause, air, inner=code == 'runs-out')}"
    if code == "clear":
        return f"the strand arrives with at most {of_limit(judged.worst_of_good)} of {good}"
    if code == "adjust":
        return (
            f"{from_layer(judged.from_layer)} the strand holds more than {good}, "
            f"at most {of_limit(judged.worst_of_marginal)} of {marginal}"
        )
    if code == "runs-out":
        return (
            f"{from_layer(judged.from_layer)} the strand holds more than {marginal}, "
            f"up to {of_limit(judged.worst_of_marginal)} of it{origin}"
        )
    if code == "dry-first":
        return f"what is fed next holds {of_limit(judged.start_of_marginal)} of {marginal}{origin}"
    return "the record does not tell whether the strand is dry or wet"


def from_layer(layer: int | None) -> str:
    """Return where something begins.

    >>> from_layer(12), from_layer(0)
    ('from layer 12', 'already before layer 1')
    """
    return f"from layer {layer}" if layer else "already before layer 1"


def of_limit(ratio: float) -> str:
    """Return a content over its limit, rounded away from the limit's far side: 1 only where it is 1.

    >>> of_limit(0.9999), of_limit(1.0001), of_limit(0.124), of_limit(12.31)
    ('0.99', '1.01', '0.12', '12.4')
    """
    digits = 1 if ratio >= 10 else 2
    scaled = ratio * 10**digits
    whole = math.floor(scaled) if ratio <= 1 else math.ceil(scaled)
    return f"{whole / 10**digits:.{digits}f}"


def cause_reason(cause: Cause, air: str, *, inner: bool) -> str:
    """Return where the water comes from; *air*: of the print, in words; *inner*: of turns further in."""
    who = "inner layers were" if inner else "it was"
    if cause.origin == "print-air":
        return f"it picks up water in the air ({air})"
    if cause.origin == "never-dried":
        return f"{who} never dried: it came in wet, and its record shows no drying"
    if cause.origin == "drying":
        return "it is in the dryer still, and not dry enough yet"
    if cause.origin == "dried-too-little" and cause.drying is not None:
        hours = (cause.drying.end_s - cause.drying.begin_s) / HOUR_S
        return f"{who} never dried enough: the last drying, {rounded(hours, 3)} h in {cause.drying.place}, was too little"
    since = "it was dried" if cause.drying is not None else "it came in"
    stood = f", in {' and '.join(cause.places[:2])}" if cause.places else ""
    return f"picked up in the air in the {format_duration(cause.seconds)} since {since}{stood}"


def stated_exposure_reason(code: Code, exposure: "Exposure") -> str:
    """Return the reason where the user's own safe exposure decides."""
    if code == "dry-first":
        return "the spool has been out for longer than your own safe exposure allows"
    safe_h, needed_h = (exposure.safe_s or 0.0) / HOUR_S, (exposure.needed_s or 0.0) / HOUR_S
    return f"your own safe exposure leaves {safe_h:.1f} h, the job needs {needed_h:.1f} h"


STEAM_REASON: Final = (
    "the last look at the nozzle saw steam (many bubbles or popping), and it was not dried since"
)
EMPTY_REASON: Final = "the record says that this reel is empty"
NO_RECORD_REASON: Final = "no record of this spool: how much water it holds cannot be known"


def not_given_reason(named: str) -> str:
    """Return the reason where the file names a spool whose record is not there."""
    return f"the file names spool '{named}', but its record was not given"


# ---------------------------------------------------------------- how sure


def outcomes_sentence(outcomes: Mapping[Code, float], runs_out_layer: int | None) -> str:
    """Return what becomes of 100 members, in whole numbers that sum to 100.

    >>> outcomes_sentence({"clear": 0.16, "adjust": 0.0, "runs-out": 0.37, "dry-first": 0.47}, 12)
    'of 100: 16 print to the end dry, 37 get too wet on the way (half of these by layer 12), 47 are too wet at the start'
    """
    counts = out_of_100(outcomes)
    by = f" (half of these by layer {runs_out_layer})" if runs_out_layer else ""
    words: dict[Code, str] = {
        "clear": "print to the end dry",
        "adjust": "print to the end marginal",
        "runs-out": f"get too wet on the way{by}",
        "dry-first": "are too wet at the start",
    }
    return "of 100: " + ", ".join(f"{counts[code]} {words[code]}" for code in words if counts.get(code))


def out_of_100(shares: Mapping[Code, float]) -> dict[Code, int]:
    """Return shares as whole numbers in sum 100, by the largest remainders."""
    exact = {code: 100 * share for code, share in shares.items()}
    counts = {code: math.floor(value) for code, value in exact.items()}
    left = 100 - sum(counts.values())
    for code in sorted(exact, key=lambda each: counts[each] - exact[each])[:left]:
        counts[code] += 1
    return counts


def worse_caution(spool: str, code: Code, judged: "Judgement", record: str | None) -> str:
    """Return the caution where members in number do worse than the verdict; *record*: what would tell more."""
    where = "" if judged.cautious_layer is None else f" {from_layer(judged.cautious_layer)}"
    surer = "no single record would tell much" if record is None else f"to be surer: {record}"
    many = sum(count for each, count in out_of_100(judged.outcomes).items() if worse(each, code))
    return f"{spool}: {many} of 100 end worse than {code} ({judged.cautious_code}{where}); {surer}"


# ---------------------------------------------------------------- cautions


def other_material(tool: int, sliced: str, spool: str, material: str) -> str:
    """Return the caution where a file is sliced for another material."""
    return f"T{tool} is sliced for {sliced}, but {spool} is {material}: check temperatures and spool"


def other_diameter(tool: int, sliced_mm: float, spool: str, diameter_mm: float) -> str:
    """Return the caution where a file is sliced for another diameter."""
    return (
        f"T{tool} is sliced for {sliced_mm:g} mm filament, but {spool} is {diameter_mm:g} mm: slice it again"
    )


def too_short(spool: str, left_mm: float, needed_mm: float, short_mm: float) -> str:
    """Return the caution where a reel holds less than the job feeds."""
    return (
        f"{spool} has {left_mm / 1000:.1f} m left, the job feeds {needed_mm / 1000:.1f} m: "
        f"{short_mm / 1000:.1f} m short"
    )


def one_reel(spool: str, tools: Sequence[int], needed_mm: float, left_mm: float | None) -> str:
    """Return the caution where one reel is named for several tools; *left_mm*: on it, where that is known."""
    short = ""
    if left_mm is not None and left_mm < needed_mm:
        short = f", and {left_mm / 1000:.2f} m are left on it"
    named = " and ".join(f"T{tool}" for tool in tools)
    return (
        f"{spool} is named for {named}, which feed {needed_mm / 1000:.2f} m together{short}: one reel feeds one tool "
        f"at a time; name the reel of each tool, e.g. --spool {tools[-1]}=ID"
    )


def stated_exposure_overruled(spool: str) -> str:
    """Return the caution where an inspection saw steam."""
    return f"{spool}: the last inspection saw a wet strand; the stated safe exposure does not count"


def stated_exposure_differs(spool: str, left_s: float, model_s: float | None, next_fed_wt_pct: float) -> str:
    """Return the caution where own figure and model are far apart."""
    longer = "longer than was looked at" if model_s is None else f"{model_s / HOUR_S:.1f} h"
    return (
        f"{spool}: your own safe exposure leaves {left_s / HOUR_S:.1f} h, the model says {longer} "
        f"(next fed {next_fed_wt_pct:.3f} wt %); yours counts"
    )


def limits_contradicted(
    spool: str, material: str, records: int, own: tuple[float, float, float], used: float
) -> str:
    """Return the caution where the marginal limit lies outside what own prints say of it; *own*: p10, p50, p90. [wt %]"""
    low, middle, high = own
    return (
        f"{spool}: {records} of your own prints put the marginal limit of {material} at {middle:.3f} wt % "
        f"({low:.3f} to {high:.3f}), this forecast used {used:.3f}: see 'gcodetool limits show {material}'"
    )


def empty_reel(spool: str) -> str:
    """Return the caution of an empty reel."""
    return f"{spool}: the reel is empty by its record"


def too_hot(damage: "HeatDamage") -> str:
    """Return what heat has done to a winding, or may have, and what to do before it is fed.

    >>> from gcodetool.judge.heat_damage import HeatDamage
    >>> too_hot(HeatDamage("softening", 0.0, "oven", 4 * 3600.0, 75.0, 58.0, "PLA"))
    '4 h at 75 °C in oven, 17 K above the softening of PLA: look at the winding before you feed it'
    """
    if damage.sign == "deformed":
        return "its winding was found deformed: wind it over and measure the strand before it is fed, or do without it"
    look = "look at the winding before you feed it"
    if damage.sign == "free-end":
        return (
            f"a free end of its strand sagged{f' in {damage.place}' if damage.place else ''}: too hot; {look}"
        )
    above = max(1, round(damage.air_C - damage.limit_C))
    time = (
        f"{rounded(damage.seconds / HOUR_S, 2)} h"
        if damage.seconds >= HOUR_S
        else f"{damage.seconds / 60:.0f} min"
    )
    return f"{time} at {damage.air_C:.0f} °C in {damage.place}, {above} K above {whose_limit(damage)}: {look}"


def rounded(value: float, count: int) -> str:
    """Return a number with so many digits that count, without an exponent.

    >>> rounded(678.3, 2), rounded(1000.0, 3), rounded(5.25, 2)
    ('680', '1000', '5.2')
    """
    return f"{float(f'{value:.{count}g}'):g}"


def whose_limit(damage: "HeatDamage") -> str:
    """Return whose limit a stay was above."""
    if damage.sign == "softening":
        return f"the softening of {damage.what}"
    if damage.assumed:
        return f"the {damage.limit_C:g} °C of the most delicate reel ({damage.what}), as its own material is not stated"
    return f"what its reel stands ({damage.what})"


NOTED_BY: Final = ", and note it: gcodetool"  # and what follows is a command; a page has a form for it


def too_hot_caution(spool: str, damage: "HeatDamage") -> str:
    """Return the caution of a winding that was too hot, and how it is taken off."""
    if damage.sign == "deformed":
        return f"{spool}: {too_hot(damage)}"
    state = f", or say what it is: gcodetool spool set {spool} --body abs" if damage.assumed else ""
    return f"{spool}: {too_hot(damage)}{NOTED_BY} spool inspect {spool} --winding good|deformed{state}"


# ---------------------------------------------------------------- what to do


ENDS: Final[dict[Code, str]] = {"clear": "ends clear", "adjust": "ends no worse than marginal"}


def feed_sentence(need: "FeedNeed") -> str:
    """Return how dry a box at the feed must be, and which boxes are.

    >>> from gcodetool.judge.findings import BoxAtFeed, FeedNeed
    >>> boxes = (BoxAtFeed("box-2", 14.0, "clear", True), BoxAtFeed("box-1", 31.0, "adjust", False))
    >>> feed_sentence(FeedNeed(None, None, "clear", 18.4, boxes))
    'from a box at or below 18 % RH this job ends clear: box-2 (14 % RH) will do'
    >>> feed_sentence(FeedNeed(None, None, "clear", 18.4, boxes[1:]))
    'from a box at or below 18 % RH this job ends clear: box-1 (31 % RH) will not do'
    """
    if need.verdict is None or need.rh_max_pct is None:
        return "no box at the feed makes it end better, however dry: drying the spool does"
    # rounded down: what is said must be true of it
    humid = (
        "of any humidity"
        if need.rh_max_pct >= 100.0
        else f"at or below {math.floor(need.rh_max_pct):.0f} % RH"
    )
    said = f"from a box {humid} this job {ENDS[need.verdict]}"
    able = [each for each in need.boxes if each.enough]
    listed = able or list(need.boxes)
    if not listed:
        return said
    named = ", ".join(
        each.place if each.rh_pct is None else f"{each.place} ({each.rh_pct:.0f} % RH)" for each in listed
    )
    return f"{said}: {named} {'will do' if able else 'will not do'}"


STRINGS: Final = "strings and a rough surface are likely"


def next_steps(
    code: Code,
    *,
    place: str,
    start_by: "LatestStart | None",
    now_s: float,
    record: str | None,
    damage: "Damage",
    feed_told: bool = False,
    dryer: bool = False,
    too_hot: bool = False,
) -> Iterator[str]:
    """Yield what to do, the first thing first.

    *record*: what would tell more; *damage*: where it is too wet; *feed_told*: a sentence of its own says which
    box at the feed would do, if any (`feed_sentence`).  *dryer*: it stands in one; *too_hot*: in more heat than it
    stands.
    """
    if too_hot:
        yield f"take it out of {place} now: it is too hot for it there"
    when = _until_when(start_by, now_s, place, dryer=dryer)
    if code == "clear":
        yield f"print; {when}"
    elif code == "adjust":
        yield f"print with care and look at the purged strand first; {when}"
    elif code == "runs-out":
        yield "dry the spool first" + ("" if feed_told else ", or feed it from a dry box")
    elif code == "dry-first" and damage == "surface":
        yield f"dry the spool first for a part that matters: {STRINGS}, and no setting makes up for it"
    elif code == "dry-first":
        yield "do not print: dry the spool first; no setting makes up for this much water"
    else:
        yield "purge and look at the strand before the part begins" + (
            "" if record is None else f", or {record}"
        )


def _until_when(start_by: "LatestStart | None", now_s: float, place: str, *, dryer: bool) -> str:
    """Return how long a verdict holds where the spool is, and what ends it."""
    if start_by is None and dryer:
        return f"it gets no wetter in {place}, but take it out for the print and leave no heat on unattended"
    if start_by is None:
        return f"it stays so for the next 30 days where it is ({place})"
    later = LATER[start_by.then]
    if start_by.at_s - now_s < AT_ONCE_S:
        return f"start at once: minutes later {later}"
    return f"it stays so for another {format_duration(start_by.at_s - now_s)} where it is ({place}), then {later}"


LATER: Final[dict[Code, str]] = {
    "clear": "it prints dry",
    "adjust": "it prints marginal",
    "runs-out": "it gets too wet on the way",
    "dry-first": "it is too wet at the start",
    "unknown": "nobody can say",
}
TAKE_ANOTHER: Final = "take another spool, or correct this one's record"
NAME_A_RECORD: Final = (
    "name the spool with --spool: the ID of one on the shelf, or its file; or purge and look at the strand before the "
    "part begins"
)


def name_the_record(named: str) -> str:
    """Return how to give the record of a spool that the file names."""
    return f"name the spool that is meant with --spool: the ID of one on the shelf, or a file such as {named}.toml"


def storage_advice(word: str, whole_word: str, damage: "Damage") -> str:
    """Return what to do with a spool: *word* of what is fed next, *whole_word* and *damage* of its wettest turns."""
    if word == "empty":
        return "its record says that nothing is left on it: take another, or correct the record"
    if word == "wet" and damage == "surface":
        return f"dry it first for a part that matters: {STRINGS}"
    if word == "wet":
        return "do not print from it: dry it first"
    if word == "unknown":
        return "its record does not tell whether it is dry or wet: weigh it, or purge and look at the strand"
    if word == "marginal":
        return "dry it before a long or a fine job; for a short one look at the purged strand first"
    if whole_word == "dry":
        return "print from it, or put it away into a sealed bag or a dry box"
    return (
        f"its outer turns are dry, turns further in are {whole_word}: dry it before a long job and before it is "
        "put away; for a short one check the job first"
    )


def format_duration(seconds: float) -> str:
    """Return a length of time, rounded down.

    >>> format_duration(5400), format_duration(3 * 86400), format_duration(700)
    ('1 h 30 min', '3 d 0 h', '11 min')
    """
    minutes = int(seconds // 60)
    if minutes >= 24 * 60:
        return f"{minutes // 1440} d {minutes % 1440 // 60} h"
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{minutes} min"
