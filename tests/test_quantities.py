"""What people type: sixty habits of three languages, and printing then parsing as an identity."""

import datetime
import os
import time
from collections.abc import Iterator

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import moments, quantities
from gcodetool.cli.quantity_types import Amount
from gcodetool.moments import moment
from gcodetool.quantities import (
    AREA,
    DIFFERENCE,
    FLOW,
    HOURS,
    HUMIDITY,
    HUMIDITY_DIFFERENCE,
    LENGTH,
    MASS,
    NUMBER,
    SHARE,
    TEMPERATURE,
    VOLUME,
    WATER,
    AmbiguousError,
    Kind,
    NotUnderstoodError,
    amount,
    number,
    span,
)
from gcodetool.report.as_text import duration
from gcodetool.report.html.page import moment as page_moment

VIENNA = "Europe/Vienna"
NOW = datetime.datetime.fromisoformat("2026-11-25T20:30+01:00").timestamp()  # a Wednesday


@pytest.fixture(autouse=True, scope="module")
def in_vienna() -> Iterator[None]:
    before = os.environ.get("TZ")
    os.environ["TZ"] = VIENNA
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        # English, German and French hands
        ("21.5", TEMPERATURE, 21.5),
        ("21,5", TEMPERATURE, 21.5),
        ("21,5 °C", TEMPERATURE, 21.5),
        ("\u22125,5", TEMPERATURE, -5.5),
        ("70F", TEMPERATURE, 190 / 9),
        ("70 °F", TEMPERATURE, 190 / 9),
        ("3.6F", DIFFERENCE, 2.0),
        ("55%", HUMIDITY, 55.0),
        ("55 % RH", HUMIDITY, 55.0),
        ("48,5 % rF", HUMIDITY, 48.5),
        ("48,5\u202f% HR", HUMIDITY, 48.5),
        ("0,2 Gew.-%", WATER, 0.2),
        ("200 ppm", WATER, 0.02),
        ("1.2kg", MASS, 1200.0),
        ("1,2 kg", MASS, 1200.0),
        ("1.200,5 g", MASS, 1200.5),
        ("1 200,5 g", MASS, 1200.5),
        ("1'200.5", MASS, 1200.5),
        ("1,200.5 g", MASS, 1200.5),
        ("2.2 lb", MASS, 997.903214),
        ("175cm", LENGTH, 1750.0),
        ("8,21 m", LENGTH, 8210.0),
        ("6h30", HOURS, 6.5),
        ("6:30", HOURS, 6.5),
        ("6,5", HOURS, 6.5),
        ("90 min", HOURS, 1.5),
        ("2 Std", HOURS, 2.0),
        ("500ml", VOLUME, 0.5),
        ("5L/min", FLOW, 0.3),
        ("90%", SHARE, 0.9),
        ("1e-3", NUMBER, 0.001),
        ("55 % r.F.", HUMIDITY, 55.0),
        ("55 Prozent", HUMIDITY, 55.0),
        ("55 pour cent", HUMIDITY, 55.0),
        ("0.55%", HUMIDITY, 0.55),
        ("0.5", HUMIDITY_DIFFERENCE, 0.5),
        ("958.4 g.", MASS, 958.4),
        ("1 Kilogramm", MASS, 1000.0),
        ("1.200 kg", MASS, 1200.0),
        ("958.400", MASS, 958.4),
        ("2 g/kg", WATER, 0.2),
        ("1500 cm^2", AREA, 0.15),
        ("5 feet", LENGTH, 1524.0),
        ("50 cl", VOLUME, 0.5),
        ("6.25", HOURS, 6.25),
        ("6.5 h", HOURS, 6.5),
    ],
)
def test_an_amount_is_read_as_it_is_meant(text: str, kind: Kind, value: float) -> None:
    assert amount(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("1,200", MASS, "'1,200' may be 1.200 or 1200; write the one that is meant"),
        ("1.000", MASS, "'1.000' may be 1 or 1000; write the one that is meant"),
        ("12.340 g", MASS, "may be 12.34 or 12340"),
        ("0.55", HUMIDITY, "'0.55' may be 0.55% or 55%; write the one that is meant, with its sign"),
        ("6.30", HOURS, "'6.30' may be 6h30 or 6.3 h; write the one that is meant"),
        ("6,30 Std", HOURS, "may be 6h30 or 6.3 h"),
        ("12 sq", AREA, "is no unit of an area"),
        ("20-25", TEMPERATURE, "is a range; write one number"),
        ("55F", HUMIDITY, "'F' is no unit of a relative humidity; write 55 or 55%"),
        ("12 gr", MASS, "'gr' is no unit of a mass"),  # a gram to some, 65 mg to others
        ("1.2.3", MASS, "is no mass; write 958.4"),
        ("1,5h30", HOURS, "is no number of hours; write 6, 6h30 or 90min"),
        ("6h75", HOURS, "is no number of hours"),
        ("about 50", HUMIDITY, "is no relative humidity"),
        ("nan", MASS, "is no mass"),
        ("1e400", NUMBER, "is no number"),
        ("1e308 kg", MASS, "is beyond all measure"),
        ("\u0665\u0665", HUMIDITY, "is no relative humidity"),
        ("", NUMBER, "'' is no number"),
    ],
)
def test_what_may_be_two_amounts_or_none_is_refused_with_what_to_write(
    text: str, kind: Kind, words: str
) -> None:
    with pytest.raises(NotUnderstoodError) as caught:
        amount(text, kind)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "tense", "at"),
    [
        ("now", "past", "2026-11-25T20:30+01:00"),
        ("18:00", "past", "2026-11-25T18:00+01:00"),
        ("22:00", "coming", "2026-11-25T22:00+01:00"),
        ("yesterday 18:00", "past", "2026-11-24T18:00+01:00"),
        ("yesterday 18h", "past", "2026-11-24T18:00+01:00"),
        ("6 pm yesterday", "past", "2026-11-24T18:00+01:00"),
        ("tomorrow at 7:00", "coming", "2026-11-26T07:00+01:00"),
        ("Mon 7:00", "past", "2026-11-23T07:00+01:00"),
        ("Mon 7:00", "coming", "2026-11-30T07:00+01:00"),
        ("Wednesday 18h30", "past", "2026-11-25T18:30+01:00"),
        ("2h ago", "past", "2026-11-25T18:30+01:00"),
        ("in 6h30", "coming", "2026-11-26T03:00+01:00"),
        ("2026-11-26T22:10", None, "2026-11-26T22:10+01:00"),
        ("2026-11-26 22:10:30.5", None, "2026-11-26T22:10:30.5+01:00"),
        ("2026-11-26 22:10Z", None, "2026-11-26T22:10+00:00"),
        ("20261126T221000+0530", None, "2026-11-26T22:10+05:30"),
        ("2026-07-01 22:10 CEST", None, "2026-07-01T22:10+02:00"),
        ("2026-11-26", None, "2026-11-26T00:00+01:00"),
        ("26.11.2026 18:00", None, "2026-11-26T18:00+01:00"),
        ("26. November 2026, 18.30 Uhr", None, "2026-11-26T18:30+01:00"),
        ("3.4.2026 8:00", None, "2026-04-03T08:00+02:00"),  # days with points are never month first
        ("26/11/2026 18h", None, "2026-11-26T18:00+01:00"),
        ("11/26/2026 6:00 PM", None, "2026-11-26T18:00+01:00"),
        ("Nov 26, 2026 12:15 am", None, "2026-11-26T00:15+01:00"),
        ("Thu 2026-11-26 18:00 CET", None, "2026-11-26T18:00+01:00"),
        ("Thurs 18:00", "coming", "2026-11-26T18:00+01:00"),
        ("Tue yesterday 18:00", "past", "2026-11-24T18:00+01:00"),
        ("26. Dezember 2026 18 Uhr", None, "2026-12-26T18:00+01:00"),
        ("1. März 2026", None, "2026-03-01T00:00+01:00"),
        ("1er juin 2026 8h", None, "2026-06-01T08:00+02:00"),
        ("26th Nov 2026", None, "2026-11-26T00:00+01:00"),
        ("18:00 26.11.2026", None, "2026-11-26T18:00+01:00"),
        ("6 pm 2026-11-26", None, "2026-11-26T18:00+01:00"),
    ],
)
def test_a_moment_is_read_as_it_is_meant(text: str, tense: moments.Tense | None, at: str) -> None:
    assert moment(text, now_s=NOW, tense=tense).at_s == datetime.datetime.fromisoformat(at).timestamp()


@pytest.mark.parametrize(
    ("text", "tense", "words"),
    [
        ("2026-11-26 22.10", None, "may mean 22:10 or a part of an hour; write 22:10"),
        ("22.10", "past", "is no time of day; write 22:10"),
        ("2h", "past", "write 2:00 for the time, '2h ago' for the other"),
        ("18h30", "past", "write 18:30 for the time"),
        ("22:00", "past", "is still to come today; write 'yesterday 22:00' or 'today 22:00'"),
        ("18:00", "coming", "is past today; write 'tomorrow 18:00' or 'today 18:00'"),
        ("Mon 7:00", None, "may be the last or the next; write 2026-11-23 07:00 or 2026-11-30 07:00"),
        ("3/4/2026 8:00", None, "may be day or month first; write 2026-04-03 or 2026-03-04"),
        ("26.11.26 18:00", None, "has no whole year"),
        ("Wed 2026-11-26 18:00", None, "is a Thursday, not a Wednesday"),
        ("yesterday", "past", "has no time of day; write yesterday 18:00"),
        ("2026-11-26 1800", None, "write 18:00 with its colon"),
        ("2026-11-26 24:00", None, "write 00:00 of the next day"),
        ("2026-02-30 08:00", None, "there is no such day"),
        ("Mon yesterday 18:00", "past", "is a Tuesday, not a Monday"),
        ("10:00-11:00", "past", "is a range, or has a zone without a date"),
        ("18:00Z", "past", "has a zone without a date; write one time, or the date too"),
        ("6:30p", "coming", "'p' is no zone of this clock"),
        ("junk 1 2026", None, "is no time"),
        ("marvel 1 2026", None, "is no time"),
        ("jui 1 2026", None, "is no time"),  # juin or juillet
        ("2026-11-26 22:1", None, "has no time of day that is known here; write 18:00 with its colon"),
        ("13 pm", "past", "is no time of day; write 6 pm or 18:00"),
        ("gestern 18:00", "past", "is no time; write 2026-11-04 08:00"),
        ("2026-11-26 22:10 EST", None, "'est' is no zone of this clock"),
        ("2026-03-29 02:30", None, "clocks were put forward over that hour; write it with its offset"),
        ("1066-10-14 09:00", None, "the year 1066 is outside 1970 to 2199"),
        ("", "past", "'' is no time"),
    ],
)
def test_what_may_be_two_moments_or_none_is_refused(
    text: str, tense: moments.Tense | None, words: str
) -> None:
    with pytest.raises(NotUnderstoodError) as caught:
        moment(text, now_s=NOW, tense=tense)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_hour_that_is_there_twice_is_the_first_and_said() -> None:
    found = moment("2026-10-25 02:30")
    assert found.at_s == datetime.datetime.fromisoformat("2026-10-25T02:30+02:00").timestamp()
    assert found.note is not None
    assert "happens twice" in found.note
    second = moment("2026-10-25 02:30 CET")
    assert (second.at_s - found.at_s, second.note) == (3600.0, None)


def test_a_file_takes_whole_dates_only() -> None:
    for text in ("now", "18:00", "yesterday 18:00", "2h ago", "Mon 7:00"):
        with pytest.raises(NotUnderstoodError):
            moment(text)


@pytest.mark.parametrize(
    ("text", "seconds"), [("2h", 7200), ("6h30", 23400), ("1d4h", 100800), ("1,5 h", 5400)]
)
def test_a_length_of_time_has_its_unit(text: str, seconds: float) -> None:
    assert span(text) == seconds


@pytest.mark.parametrize("text", ["2", "2:30", "30min 2h", "2h 3h", "h", "", "-2h", "60 years", "1.5h30"])
def test_no_length_of_time_is_guessed(text: str) -> None:
    with pytest.raises(NotUnderstoodError):
        span(text)


# ---------------------------------------------------------------- printing, then parsing

KINDS = [kind for kind in vars(quantities).values() if isinstance(kind, Kind)]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_that_python_prints_is_read_back(value: float) -> None:
    assert number(repr(value)) == value


@given(st.sampled_from(KINDS), st.floats(-1e9, 1e9), st.sampled_from(["", " "]))
def test_an_amount_with_its_unit_is_read_back(kind: Kind, value: float, gap: str) -> None:
    if kind is HOURS:
        value = abs(round(value / 1e5, 3))
    assert amount(f"{value!r}{gap}{kind.unit}", kind) == pytest.approx(value, rel=1e-12)


@given(st.decimals(-9999, 9999, places=2))
def test_the_comma_is_a_decimal_sign(value: object) -> None:
    assert number(str(value).replace(".", ",")) == float(str(value))


@given(st.integers(0, 40 * 365 * 86_400))
def test_a_length_of_time_in_words_is_read_back(seconds: int) -> None:
    words = duration(seconds)
    assert duration(span(words)) == words


@given(
    st.datetimes(datetime.datetime(1971, 1, 1), datetime.datetime(2199, 1, 1)).map(
        lambda d: d.replace(microsecond=0)
    )
)
def test_a_moment_that_we_print_is_read_back(wall: datetime.datetime) -> None:
    at_s = wall.replace(tzinfo=datetime.UTC).timestamp()
    assert moment(datetime.datetime.fromtimestamp(at_s, datetime.UTC).isoformat()).at_s == at_s
    minute = at_s // 60 * 60
    for printed in (moments.wall(at_s), page_moment(at_s)):
        assert moment(printed).at_s == minute


@given(st.text(max_size=30))
def test_any_text_is_a_quantity_or_a_clear_refusal(text: str) -> None:
    for read in (
        lambda: number(text),
        lambda: amount(text, HOURS),
        lambda: span(text),
        lambda: moment(text, now_s=NOW),
    ):
        try:
            read()
        except NotUnderstoodError as error:
            assert str(error).isprintable()


def test_what_is_ambiguous_says_so_by_its_class() -> None:
    with pytest.raises(AmbiguousError):
        amount("1,200 g", MASS)


@pytest.mark.parametrize(
    ("least", "most", "says"),
    [(None, None, None), (0, None, "[x>=0]"), (None, 9, "[x<=9]"), (0, 9, "[0<=x<=9]")],
)
def test_help_tells_the_range_that_an_amount_has(least, most, says) -> None:
    option = click.Option(["--mass"], type=Amount(MASS, least, most), help="Of it.")
    _, text = option.get_help_record(click.Context(click.Command("x")))
    assert text == " ".join(["Of it.", *([] if says is None else [f" {says}"])])


@pytest.mark.parametrize(
    ("text", "value"), [("1000", 1000.0), ("1 kg", 1000.0), ("1g", 1.0), ("1.2kg", 1200.0), ("25", 25.0)]
)
def test_a_reel_is_said_in_grams_or_with_its_unit(text: str, value: float) -> None:
    assert Amount(MASS, above=0, bare_from=20).convert(text, None, None) == value


@pytest.mark.parametrize("text", ["1", "1,2", "0.75"])
def test_kilograms_without_their_unit_are_no_grams(text: str) -> None:
    with pytest.raises(
        click.BadParameter, match=r"may be .*g or .*kg; write the one that is meant, with its unit"
    ):
        Amount(MASS, above=0, bare_from=20).convert(text, None, None)
