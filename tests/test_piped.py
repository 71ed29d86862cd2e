"""Readings that arrive line by line."""

import io
import json
import sys

import pytest

from gcodetool.cli.main import outcome
from gcodetool.errors import SpoolError
from gcodetool.ledger import piped


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ('{"temperature_C": 21.5, "rh_pct": 48}', (1_800_000_000_000_000, 21.5, 48.0)),
        (
            '{"at": "2026-11-02T08:00:00Z", "temperature_C": "68F", "rh_pct": "48,5%"}',
            (1_793_606_400_000_000, 20.0, 48.5),
        ),
    ],
)
def test_a_line_is_a_reading(text: str, reading: piped.Reading) -> None:
    at, celsius, rh_pct = piped.reading_of(text, 1, 1.8e9)
    assert (at, pytest.approx(celsius), rh_pct) == reading


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("21.5", "not a reading"),
        ("{", "not well-formed JSON"),
        ('{"temperature_C": 21.5}', "rh_pct is missing"),
        ('{"temperature_C": 21.5, "rh_pct": 148}', "rh_pct is 148, but must be from 0 to 100"),
        ('{"temperature_C": 21.5, "rh_pct": 48, "humidity": 4}', "'humidity' is no key"),
        ('{"temperature_C": 21.5, "rh_pct": 48, "at": "18:00"}', "has no date"),
        ('{"temperature_C": true, "rh_pct": 48}', "temperature_C is missing or no number"),
    ],
)
def test_a_line_that_is_none_is_said_with_its_number(text: str, words: str) -> None:
    with pytest.raises(SpoolError, match="standard input:7") as caught:
        piped.reading_of(text, 7, 1.8e9)
    assert words in str(caught.value)


def test_readings_are_written_together_and_none_is_lost() -> None:
    readings = [(second * 1_000_000, 20.0, 50.0) for second in range(0, 1000, 10)]
    groups = list(piped.batches(iter(readings), 60, 300.0))
    assert [each for group in groups for each in group] == readings
    assert all(len(group) <= 60 and group[-1][0] - group[0][0] <= 300e6 for group in groups)


def test_what_is_piped_in_is_the_air_of_a_place(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    assert (
        outcome(
            [
                "place",
                "add",
                "bench",
                "--kind",
                "open",
                "--temperature",
                "22",
                "--humidity",
                "48",
                "--at",
                "2026-11-01T08:00Z",
            ]
        )
        == 0
    )
    lines = [
        json.dumps({"at": f"2026-11-02T08:{minute:02}:00Z", "temperature_C": 21.5, "rh_pct": 50 + minute % 5})
        for minute in range(12)
    ]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join([*lines[:5], "rain", *lines[5:]]) + "\n"))
    capsys.readouterr()
    assert outcome(["place", "log", "bench", "--follow", "-"]) == 1
    said = capsys.readouterr()
    assert "standard input:6:1: not well-formed JSON" in said.err
    assert sum(int(line.split()[1]) for line in said.out.splitlines()) == 12
    assert outcome(["place", "show", "bench", "--at", "2026-11-02T09:00Z", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["readings"] == 1 + 12  # the first one as it was stated
    assert outcome(["place", "log", "bench", "-"]) == 2
