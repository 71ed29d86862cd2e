"""A logger's file is read whatever it looks like, or refused with what settles it."""

import datetime
import pathlib
import time
import zoneinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.errors import SpoolError
from gcodetool.ledger.dryerlog import read_temperatures
from gcodetool.ledger.hygrometer import parse_readings

VIENNA = zoneinfo.ZoneInfo("Europe/Vienna")


def written(folder: pathlib.Path, text: str, encoding: str = "utf-8") -> pathlib.Path:
    """Write a log."""
    path = folder / "log.csv"
    path.write_bytes(text.encode(encoding))
    return path


ROWS = "\n".join
SAME = [
    pytest.param(
        ROWS(
            [
                "time,temperature_C,rh_pct",
                "2026-01-13T08:00:00+01:00,21.5,45.2",
                "2026-01-13T09:00:00+01:00,21.0,46",
            ]
        ),
        id="contract",
    ),
    pytest.param(
        ROWS(["Zeit;Temperatur °C;Feuchte %", "13.01.2026 08:00;21,5;45,2", "13.01.2026 09:00;21,0;46"]),
        id="german",
    ),
    pytest.param(
        ROWS(["Date;Time;RH(%);Temp(C)", "13/01/2026;08:00:00;45.2;21.5", "13/01/2026;09:00:00;46;21"]),
        id="two columns, day first",
    ),
    pytest.param(
        ROWS(
            ["Date\tTime\tTemperature\tHumidity", "1/13/26\t8:00 AM\t21.5\t45.2", "1/13/26\t9:00 AM\t21\t46"]
        ),
        id="month first, tabs",
    ),
    pytest.param(
        ROWS(
            [
                "Timestamp,Temperature_F,Relative Humidity(%)",
                "2026-01-13 08:00:00,70.7,45.2",
                "2026-01-13 09:00:00,69.8,46",
            ]
        ),
        id="Fahrenheit",
    ),
    pytest.param(
        ROWS(
            [
                "Logger 4711",
                "Serial;12",
                "",
                "Timestamp (UTC);Temp;Hum;Dew point °C",
                "2026-01-13 07:00;21.5;45.2;9",
                "2026-01-13 08:00;21.0;46;9",
            ]
        ),
        id="preamble, UTC, dew point",
    ),
    pytest.param(
        ROWS(
            [
                '"time","temperature","humidity"',
                '"2026-01-13 08:00","21,5","45,2"',
                '"2026-01-13 09:00","21,0","46"',
            ]
        ),
        id="quoted commas",
    ),
    pytest.param(ROWS(["time;temp;hum", "1768287600;21.5;45.2", "1768291200;21.0;46"]), id="seconds"),
    pytest.param(
        ROWS(["time;temp;hum", "1768287600000;21.5;45.2", "1768291200000;21.0;46"]), id="milliseconds"
    ),
    pytest.param(
        ROWS(["time;temp;hum", "2026-01-13 09:00;21.0 °C;46 %", "2026-01-13 08:00;21.5 °C;45.2 %"]),
        id="newest first, units in the cells",
    ),
]


@pytest.fixture(autouse=True)
def _in_vienna(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("text", SAME)
def test_every_form_says_the_same(tmp_path: pathlib.Path, text: str, encoding: str) -> None:
    found = parse_readings(written(tmp_path, text, encoding))
    first = int(datetime.datetime(2026, 1, 13, 8, tzinfo=VIENNA).timestamp() * 1e6)
    assert found.readings == [(first, 21.5, 45.2), (first + 3_600_000_000, 21.0, 46.0)]
    assert found.interval_s == 3600
    assert not found.gaps
    assert not found.skipped


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "time;temp;hum\n3/4/2026 8:00;21;45\n3/4/2026 9:00;21;45",
            "may be day or month first; add --days dmy",
        ),
        ("a;b;c\n1;2;3", "no line names the columns"),
        ("time;temp;hum\n2026-01-13 08:00;warm;45", "log.csv:2: temperature 'warm' is no number"),
        ("time;temp;hum\n2026-01-13 08:00;21;450", "450 % RH cannot be"),
        ("time;temp;hum\n2026-01-13 08:00;2100;45", "is no room's temperature"),
        ("time;temp;hum\nyesterday;21;45", "'yesterday' is no time that is known here"),
        ("time;temp;hum\n2026-01-13 08:00;21;45\n13.01.2026;21;45", "does not fit the days above it"),
        ("time;temp;hum\n2026-02-30 08:00;21;45", "is no time; correct this line"),
        ("time;temp;hum\n2026-01-13 08:00;;\n2026-01-13 09:00;--;--", "no line holds"),
        ("time;temp;hum", "no line holds"),
        ("", "no delimiter"),
        ("dear all", "no delimiter"),
        (
            "time,temp,hum\n2026-01-13 08:00,21,5,45,2\n2026-01-13 09:00,21,5,45,2",
            "5 cells under 3 column names",
        ),
    ],
)
def test_what_cannot_be_told_is_refused_in_one_line(tmp_path: pathlib.Path, text: str, says: str) -> None:
    with pytest.raises(SpoolError) as caught:
        parse_readings(written(tmp_path, text))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unsure_days_are_settled_by_the_call(tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, "time;temp;hum\n3/4/2026 8:00;21;45")
    april = parse_readings(path, order="dmy").readings[0][0]
    march = parse_readings(path, order="mdy").readings[0][0]
    assert datetime.datetime.fromtimestamp(april / 1e6, VIENNA).month == 4
    assert datetime.datetime.fromtimestamp(march / 1e6, VIENNA).month == 3


def test_the_zone_of_the_call_counts(tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, "time;temp;hum\n2026-01-13 08:00;21;45")
    utc, lima = (parse_readings(path, zone=zone).readings[0][0] for zone in ("UTC", "America/Lima"))
    assert lima - utc == 5 * 3_600_000_000
    with pytest.raises(SpoolError, match="is no zone"):
        parse_readings(path, zone="Utopia")


def test_the_hour_that_is_there_twice_is_read_twice(tmp_path: pathlib.Path) -> None:
    """Half-hourly through the end of summer time, by the clock on the wall."""
    begin = datetime.datetime(2026, 10, 24, 23, tzinfo=datetime.UTC)
    moments = [begin + k * datetime.timedelta(minutes=30) for k in range(9)]
    lines = [f"{moment.astimezone(VIENNA):%Y-%m-%d %H:%M};21;45" for moment in moments]
    assert len(set(lines)) < len(lines)
    found = parse_readings(written(tmp_path, ROWS(["time;temp;hum", *lines])))
    assert [row[0] / 1e6 for row in found.readings] == [moment.timestamp() for moment in moments]
    assert not found.gaps
    assert not found.doubles


def test_gaps_empty_lines_and_doubles_are_said(tmp_path: pathlib.Path) -> None:
    lines = [f"2026-01-13 {hour:02d}:00;21;{40 + hour}" for hour in (0, 1, 2, 3, 9, 10, 11)]
    found = parse_readings(
        written(tmp_path, ROWS(["time;temp;hum", *lines, "2026-01-13 12:00;--;--", lines[-1]]))
    )
    assert len(found.readings) == 7
    assert [(b - a) / 3.6e9 for a, b in found.gaps] == [6]
    assert found.skipped == 1
    assert found.doubles == 1


@given(
    head=st.sampled_from(
        ["time;temp;hum", "time,temp,hum", "Zeit\tTemp\t%", "Date;Time;T;RH", "", "a\n\ntime;temp;hum"]
    ),
    lines=st.lists(
        st.one_of(
            st.text(alphabet='0123456789.,:;-/T+ \t"%°ap\n', max_size=40),
            st.text(max_size=30),
            st.just("2026-01-13 08:00;21;45"),
            st.just("13.01.2026 08:00;21,5;45"),
        ),
        max_size=8,
    ),
)
def test_whatever_the_file_holds_it_is_read_or_refused_in_one_line(
    tmp_path_factory, head: str, lines
) -> None:
    path = tmp_path_factory.mktemp("any") / "log.csv"
    path.write_bytes("\n".join([head, *lines]).encode("utf-8", "surrogatepass"))
    try:
        found = parse_readings(path)
    except SpoolError as error:
        assert "\n" not in str(error)
        return
    assert found.readings == sorted(found.readings)


@given(
    rows=st.lists(
        st.tuples(st.integers(0, 10_000_000), st.floats(-20, 60), st.floats(0, 100)),
        min_size=1,
        unique_by=lambda row: row[0],
    ),
    form=st.sampled_from(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%Y/%m/%d %I:%M:%S %p"]),
    delimiter=st.sampled_from([";", "\t"]),
    comma=st.booleans(),
)
def test_what_was_written_is_what_is_read(
    tmp_path_factory, rows, form: str, delimiter: str, comma: bool
) -> None:
    lines = [f"time{delimiter}temp{delimiter}hum"]
    for second, celsius, rh in rows:
        moment = datetime.datetime.fromtimestamp(1_768_000_000 + second, datetime.UTC)
        cells = [f"{celsius:.3f}", f"{rh:.3f}"]
        lines.append(
            delimiter.join([moment.strftime(form), *(c.replace(".", ",") if comma else c for c in cells)])
        )
    found = parse_readings(written(tmp_path_factory.mktemp("log"), ROWS(lines)), zone="UTC")
    assert found.readings == sorted(
        ((1_768_000_000 + second) * 1_000_000, float(f"{celsius:.3f}"), float(f"{rh:.3f}"))
        for second, celsius, rh in rows
    )


@pytest.mark.parametrize("line", [1, 2])
def test_a_cell_beyond_all_measure_is_one_line_wherever_it_stands(tmp_path, line) -> None:
    """In the heads, too: they are read before the rows."""
    lines = ["time,temperature_C", "2026-11-02T08:00:00+01:00,60"]
    lines[line - 1] += "," + "x" * 140_000
    path = tmp_path / "dryer.csv"
    path.write_text("\n".join(lines))
    with pytest.raises(SpoolError, match="not CSV: field larger than field limit"):
        read_temperatures(path)
