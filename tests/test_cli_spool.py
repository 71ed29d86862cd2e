"""Stories of the shelf: what people type, what they get, what a tired user gets wrong."""

import datetime
import hashlib
import json
import math
import os
import pathlib
import shlex
import subprocess
import sys
import time
import tomllib

import pytest

from gcodetool.app import spools as shelf_list
from gcodetool.cli.main import outcome
from gcodetool.judge import idle_forecast as outlooks
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder

SAMPLES = sample_folder()
PETG = SAMPLES / "hose-clips-petg.gcode"
MON, TUE, WED = "2026-11-02T08:00+01:00", "2026-11-03T08:00+01:00", "2026-11-04T08:00+01:00"
FEW = ("--members", "8") if COMPILED else ("--members", "1")


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))


@pytest.fixture
def gt(ledger_word: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Give a function that runs one command with a ledger of the test's own: (exit code, stdout, stderr)."""
    monkeypatch.setenv("GCODETOOL_LEDGER", ledger_word)

    def call(*words: object) -> tuple[int, str, str]:
        code = outcome([str(word) for word in words])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        assert "a fault in gcodetool itself" not in err
        lines = err.splitlines(keepends=True)  # interpreted kernels are said on a line of their own
        return code, out, "".join(line for line in lines if "runs interpreted" not in line)

    return call


@pytest.fixture
def shop(gt):
    """Give the same, with the demo workshop in the ledger."""
    for words in (
        "place add bench --kind open --temperature 22 --humidity 48",
        "place add box-2 --kind box --temperature 22 --humidity 14",
        "place add oven --kind dryer --temperature 63 --room bench",
        "place add bench-1 --kind printer --printer bench-1 --room bench",
        f"spool add petg-03 --material PETG --body-mass 230 --sealed --place bench --at {MON}",
        f"spool add pa6-07 --material PA6 --net-mass 750 --place bench --at {MON}",
    ):
        code, _, err = gt(*words.split())
        assert code == 0, err
    return gt


def listed(gt, *words: str) -> dict[str, dict]:
    """Return what the list says, by spool."""
    code, out, err = gt("spool", "list", *FEW, "--json", *words)
    assert code == 0, err
    return {each["id"]: each for each in json.loads(out)["spools"]}


# ---------------------------------------------------------------- keeping the record


def test_a_new_reel_in_a_room_is_said_to_be_unpacked(gt) -> None:
    """Stock in unopened bags is a place of its own; who has none yet is told how to add it, so that it can be pasted."""
    assert (
        gt("place", "add", "my bench", *["--kind", "open", "--temperature", "22", "--humidity", "48"])[0] == 0
    )
    code, _, err = gt("spool", "add", "pa6-1", "--material", "PA6", "--sealed")
    assert code == 0 and "counts as unpacked now" in err
    command = err.strip().partition("gcodetool place add")[2]
    assert gt("place", "add", *shlex.split(command))[0] == 0
    assert gt("spool", "add", "pa6-2", "--material", "PA6", "--sealed", "--place", "bags")[2] == ""
    assert gt("spool", "add", "pa6-3", "--material", "PA6", "--sealed", "--place", "my bench")[2] == ""
    assert gt("spool", "add", "pa6-4", "--material", "PA6", "--place", "my bench")[2] == ""


def test_a_shown_undo_takes_a_name_with_a_space(gt) -> None:
    _, out, _ = gt("place", "add", "my bench", *["--kind", "open", "--temperature", "22", "--humidity", "48"])
    command = out.strip().removesuffix(")").partition("undo: gcodetool ")[2]
    assert gt(*shlex.split(command))[0] == 0


def test_remarks_stand_beside_what_a_program_reads(shop) -> None:
    code, out, err = shop("spool", "move", "petg-03", "bench", "--at", TUE, "--json")
    assert code == 0
    assert "at bench already" in err
    assert json.loads(out)["entries"]


def test_what_was_noted_of_a_place_can_be_undone(shop) -> None:
    _, out, _ = shop(
        "place", "add", "shed", "--kind", "open", "--temperature", 15, "--humidity", 70, "--json"
    )
    (entry,) = json.loads(out)["entries"]
    code, out, _ = shop("place", "undo", "shed")
    assert code == 0
    assert f"undone: entry {entry['number']}" in out
    assert shop("place", "show", "shed")[0] != 0


def test_what_people_do_is_one_line_each(shop) -> None:
    for words, says in (
        (f"spool move petg-03 oven --at {TUE}", "petg-03: at oven, "),
        (f"spool dried pa6-07 --hours 10 --temperature 63 --at {TUE}", "dried 10 h in oven, now at bench"),
        (f"spool weigh petg-03 1228.5 --at {TUE}", "weighs 1228.5 g"),
        (
            f"spool inspect petg-03 --bubbles few --oozes --no-pops --at {TUE}",
            "bubbles few, ooze, no popping",
        ),
        ("spool fed petg-03 --mass 12.5 --since 2h", "fed 12.5 g"),
        ("spool fed petg-03 --length 8210 --since 90min", "fed 8.21 m"),
        (f"place read bench --humidity 52 --temperature 21.5 --at {TUE}", "52 % RH"),
        ("spool set pa6-07 --body-mass 210 --safe-exposure 12", "corrected"),
        ("spool move petg-03 bench-1 --tool 1 --since 1h", "at bench-1, tool 1"),
        ("spool retire pa6-07 --note spoilt", "retired"),
        ("spool undo pa6-07", "undone: entry"),
    ):
        code, out, err = shop(*words.split())
        assert code == 0, err
        assert says in out
        assert "undo: gcodetool " in out
    code, out, err = shop("ledger", "check")
    assert code == 0, err
    assert "2 spools (0 retired beside them), 4 places" in out


def test_numbers_and_times_are_taken_as_people_write_them(shop) -> None:
    for words in (
        ["place", "read", "bench", "--humidity", "52,5%", "--temperature", "70F", "--at", "3.11.2026 9:00"],
        ["spool", "weigh", "petg-03", "1,2285 kg", "--at", "13/11/2026 10:00 +01:00"],
        ["spool", "dried", "pa6-07", "--hours", "6h30", "--temperature", "145,4F", "--since", "1h30"],
    ):
        code, _, err = shop(*words)
        assert code == 0, err
    history = json.loads(shop("spool", "show", "petg-03", *FEW, "--json")[1])["history"]
    assert history[-1]["facts"] == {"gross_g": 1228.5}
    assert history[-1]["at"] == "2026-11-13T09:00:00+00:00"
    inside, outside = json.loads(shop("spool", "show", "pa6-07", *FEW, "--json")[1])["history"][-2:]
    assert inside["facts"]["temperature_C"] == pytest.approx(63.0)
    hours = (
        datetime.datetime.fromisoformat(outside["at"]) - datetime.datetime.fromisoformat(inside["at"])
    ).total_seconds() / 3600
    assert hours == pytest.approx(6.5)


def test_a_spool_begun_before_has_what_is_left_of_it(shop) -> None:
    for name, words in (
        ("petg-08", ["--left", "405 g"]),
        ("petg-09", ["--gross", "0,612 kg", "--body-mass", "207"]),
    ):
        code, out, err = shop(
            "spool", "add", name, "--material", "copolyester", "--place", "bench", *words, "--at", MON
        )
        assert code == 0, err
        assert "copolyester is taken as PETG" in err
        assert "405 g left" in out
        left = json.loads(shop("spool", "show", name, *FEW, "--at", TUE, "--json")[1])["remaining_mm"]
        assert left == pytest.approx(405.0 / (1.27e-3 * math.pi * 0.875**2), rel=0.02)
    code, _, _ = shop("spool", "undo", "petg-08")
    assert code == 0
    assert "petg-08" not in listed(shop)


def test_writers_answer_in_json_too(shop) -> None:
    words = [
        "place",
        "add",
        "box-9",
        "--kind",
        "box",
        "--temperature",
        "22",
        "--air",
        "9",
        "--desiccant",
        "silica gel",
    ]
    code, out, err = shop(*words, "--desiccant-mass", "200", "--fresh-at", MON, "--json")
    assert code == 0, err
    assert json.loads(out)["entries"][0]["facts"]["desiccant_fresh_at"] == ["2026-11-02T07:00:00+00:00"]
    assert "desiccant_fresh_at" in shop("place", "show", "box-9", "--json")[1]
    code, out, _ = shop("spool", "weigh", "petg-03", "1228", "--at", TUE, "--json")
    (entry,) = json.loads(out)["entries"]
    assert code == 0
    assert entry["kind"] == "weighed"
    assert entry["facts"] == {"gross_g": 1228.0}
    assert entry["at"] == "2026-11-03T07:00:00+00:00"
    for words in (
        ["place", "list"],
        ["place", "show", "bench"],
        ["ledger", "check"],
        ["spool", "show", "petg-03", *FEW],
    ):
        code, out, err = shop(*words, "--json")
        assert code == 0, err
        json.loads(out)


MISUSE = [
    ("spool move petg-3 bench", 1, "no spool 'petg-3' in the ledger; did you mean 'petg-03'?"),
    ("spool weigh petg-03 1,200", 2, "'1,200' may be 1.200 or 1200; write the one that is meant"),
    ("spool weigh petg-03 1200 --at 22.10", 2, "write 22:10 if that is the time of day"),
    ("spool add x --material PETG --left 1005", 1, "1005 g left of 1000 g cannot be; correct --left"),
    ("spool add x --material PETG --gross 612", 2, "add --body-mass G"),
    ("spool add x --material PETG --gross 612 --left 405", 2, "give one of them"),
    ("spool add x --material PETG --hub 80 --outer 70", 1, "--outer is 70, not more than --hub (80)"),
    ("place add box-9 --kind box --air 9", 1, "place 'box-9' is a box; add --humidity as read, or --air"),
    ("place set bench --swing 5", 1, "'--swing' does not belong to kind 'open'"),
    ("spool move petg-03 bnech", 1, "no place 'bnech' in the ledger; did you mean 'bench'"),
    ("spool move petg-03 bench --at 2026-11-01T08:00+01:00", 1, "was received"),
    (
        "spool weigh petg-03 200",
        1,
        "200 g is less than the empty reel (230 g); correct the figure, or add --force",
    ),
    ("spool fed petg-03 --mass 5000", 1, "more than the reel held"),
    ("spool fed petg-03", 2, "give one of --length MM, --mass G and --job"),
    ("spool fed petg-03 --mass 5 --length 5", 2, "give one of"),
    ("spool fed petg-03 --job none.json", 1, "no such report"),
    ("spool inspect petg-03", 2, "say what was seen"),
    ("spool weigh petg-03 1200 --at 2026-11-03 --since 2h", 2, "--at and --since cannot be used together"),
    ("spool weigh petg-03 1200 --since soon", 2, "is no length of time; write 2h"),
    ("spool weigh petg-03 1200 --at teatime", 2, "is no time"),
    ("spool show petg-3", 1, "did you mean 'petg-03'?"),
    ("spool show none.toml", 1, "no such spool file"),
    ("spool import none.toml", 1, "no such spool file"),
    ("spool mvoe petg-03 bench", 2, "Did you mean 'move'?"),
    ("place read oven --humidity 5", 1, "it heats the air of its room"),
    ("place log bench none.csv", 1, "no such logger's file"),
    ("place add roof --kind open", 1, "its air must be known"),
    ("place add roof --kind attic", 2, "attic"),
    ("place set bench --forget mood", 2, "--forget 'mood'"),
    ("ledger backup -o nowhere/x.sqlite", 1, "no such folder"),
    ("check JOB --spool petg-3", 1, "did you mean 'petg-03'?"),
    ("check JOB --printer bnch-1", 2, "did you mean 'bench-1'"),
    ("check JOB --spool petg-03 --place atic", 2, "--place 'atic'"),
]


def test_misuse_is_one_line_and_writes_nothing(shop) -> None:
    before = shop("ledger", "check")[1]
    for words, code, says in MISUSE:
        got, out, err = shop(*(str(PETG) if word == "JOB" else word for word in words.split()))
        assert got == code, words
        assert not out
        assert says in err
        assert len(err.strip().splitlines()) == 1, err
    assert shop("ledger", "check")[1] == before


def test_without_a_ledger_looking_makes_none(
    gt, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    word = str(tmp_path / "none" / "l.sqlite")
    monkeypatch.setenv("GCODETOOL_LEDGER", word)
    for words in (
        ["spool", "list"],
        ["spool", "show", "petg-03"],
        ["place", "list"],
        ["ledger", "check"],
        ["spool", "move", "petg-03", "bench"],
        ["spool", "import", "none.toml"],
        ["check", PETG, "--spool", "petg-03"],
    ):
        code, _, err = gt(*words)
        assert code == 1
        assert len(err.strip().splitlines()) == 1
    assert gt("check", PETG, "--members", "1")[0] == 30
    assert not (tmp_path / "none").exists()


def test_places_go_by_what_people_call_them(shop) -> None:
    """A room, a bag, an oven; a box in a room is as warm as the room."""
    for kind, options in (
        ("room", "--temperature 18 --humidity 60"),
        ("bag", "--room bench"),
        ("dehydrator", "--temperature 60 --room bench"),
        ("drybox", "--temperature 20 --humidity 15"),
        ("box", "--room bench --air 20 --desiccant silica_gel --desiccant-mass 200"),
    ):
        assert shop("place", "add", f"my-{kind}", "--kind", kind, *options.split())[0] == 0
    kinds = {each["name"]: each["kind"] for each in json.loads(shop("place", "list", "--json")[1])["places"]}
    said = {name: kinds[f"my-{name}"] for name in ("room", "bag", "dehydrator", "drybox", "box")}
    assert said == {"room": "open", "bag": "sealed", "dehydrator": "dryer", "drybox": "box", "box": "box"}
    code, _, err = shop("place", "add", "x", "--kind", "box", "--humidity", "20")
    assert code == 1 and err.endswith(
        "is a box; add --temperature\n"
    )  # what is read belongs to a temperature
    code, _, err = shop("place", "add", "x", "--kind", "box", "--humidity", "20", "--room", "bench")
    assert code == 1 and "states its own humidity; add --temperature, which that belongs to" in err
    code, _, err = shop("place", "add", "x", "--kind", "box", "--air", "20", "--desiccant-mass", "0")
    assert code == 1 and "add --temperature, or --room where it is as warm as that" in err
    for kind, says in (
        ("open", "add --temperature and --humidity\n"),  # a log is another command, for a place that is there
        (
            "box",
            "add --humidity as read, or --air, --desiccant and --desiccant-mass (--air and a --desiccant-mass of 0 where",
        ),
        ("printer", "add --room (whose air it stands in) or --fed-from (a box)"),
    ):
        assert says in shop("place", "add", "x", "--kind", kind)[2]
    bare = ("place", "add", "bare", "--kind", "box", "--room", "bench", "--air", "20", "--desiccant-mass")
    assert shop(*bare, "5")[0] == 1
    assert shop(*bare, "0")[0] == 0
    assert shop("spool", "move", "petg-03", "bare")[0] == 0
    assert shop("spool", "show", "petg-03", *FEW)[0] in (0, 10, 20)


def test_what_to_state_of_a_spool_of_the_ledger_is_a_command(gt) -> None:
    """Its owner has no file with keys; each command that is named works as it stands but for the value."""
    for words in (
        "place add bench --kind open --temperature 22 --humidity 48",
        "place add bag --kind sealed --room bench",
        "place add oven --kind dryer --temperature 65 --room bench",
        f"spool add pva --material PVA --place bag --sealed --at {MON}",
        f"spool add petg --material PETG --place bench --body-mass 230 --at {MON}",
        "spool dried petg --hours 8 --at 2026-11-03 --force",
        "spool move petg bag --at 2026-11-03T00:10",
        f"spool add tpu --material TPU_95A --place bench --at {MON}",
    ):
        assert gt(*words.split())[0] == 0, words
    at = ("--at", "2026-12-12")
    for asked, words in (
        (("spool", "show", "pva"), "spool set pva --body-mass 200"),
        (("spool", "show", "petg"), "place set bag --film foil"),
        (("drying", "plan", "tpu", "--more", "--members", "8"), "spool set tpu --body abs"),
    ):
        told = " ".join(gt(*asked, *at)[1].split())
        assert f"gcodetool {words.rpartition(' ')[0]} " in told, asked
        assert "[body]" not in told
        assert "leak_g_per_day" not in told
        assert gt(*words.split())[0] == 0


def test_a_reading_of_a_later_moment_says_nothing_of_the_air_before_it(gt) -> None:
    """Day and month in the wrong order, or a record looked at as it was: what was not known then does not count."""
    for words in (
        "place add bench --kind open --temperature 22 --humidity 48 --at 2026-10-01",
        "spool add petg --material PETG --place bench --body-mass 230 --at 2026-11-02",
        "place read bench --humidity 41 --at 2026-11-20",
    ):
        assert gt(*words.split())[0] == 0, words
    show = ("spool", "show", "petg", "--at", "2026-11-25", "--members", "8")
    before = gt(*show)[1]
    assert "air: bench, 22 °C, 41 % RH" in " ".join(before.split())
    assert gt("place", "read", "bench", "--humidity", "90", "--at", "2026-12-05")[0] == 0
    after = gt(*show)[1]
    told = "  ignored          1 reading of bench later than the moment asked for\n"
    assert told in after
    assert after.replace(told, "") == before
    assert "ignored" not in gt(*show[:3], "--at", "2026-12-06", "--members", "8")[1]


def test_the_first_spool_asks_for_a_place(gt) -> None:
    code, _, err = gt("spool", "add", "x", "--material", "PLA")
    assert code == 1
    assert "gcodetool place add bench --kind open" in err
    gt("place", "add", "bench", "--kind", "open", "--temperature", "22", "--humidity", "48")
    assert gt("spool", "add", "x", "--material", "PLA", "--at", MON)[0] == 0


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_that_goes_away_in_mid_command_is_one_line(shop, ledger_word: str) -> None:
    import psycopg

    root = pathlib.Path(__file__).parent.parent
    paths = os.pathsep.join([str(root), *filter(None, [os.environ.get("PYTHONPATH")])])
    with psycopg.connect(ledger_word) as holder, psycopg.connect(ledger_word, autocommit=True) as other:
        holder.execute("LOCK TABLE entry IN EXCLUSIVE MODE")  # the command queues for the ledger
        waiting = subprocess.Popen(
            [
                sys.executable,
                "-c",
                "from gcodetool.cli.main import run; run()",
                "spool",
                "move",
                "petg-03",
                "box-2",
            ],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": paths},
        )
        ended = 0
        while not ended and waiting.poll() is None:
            ended = len(
                other.execute(
                    "SELECT pg_terminate_backend(a.pid) FROM pg_stat_activity a JOIN pg_locks l ON l.pid = a.pid "
                    "WHERE NOT l.granted AND l.relation = 'entry'::regclass"
                ).fetchall()
            )
        _, err = waiting.communicate()
    assert ended == 1
    assert waiting.returncode == 1
    assert len(err.strip().splitlines()) == 1
    assert "went away" in err
    assert "nothing was written" in err
    assert listed(shop, "--at", WED)["petg-03"]["place"] == "bench"


# ---------------------------------------------------------------- looking


def test_the_list_tells_where_how_wet_and_how_long(shop) -> None:
    shop("spool", "dried", "petg-03", "--hours", "8", "--temperature", "63", "--at", TUE)
    code, out, _ = shop("spool", "list", *FEW, "--at", "2026-11-03T10:00+01:00")
    assert code == 0
    row = next(line for line in out.splitlines() if line.startswith("petg-03"))
    assert "PETG" in row
    assert "bench" in row
    assert "2 h" in row
    assert "= dry" in row
    assert "! wet" in next(line for line in out.splitlines() if line.startswith("pa6-07"))
    seen = listed(shop, "--at", "2026-11-03T10:00+01:00")["petg-03"]
    _, shown, _ = shop("spool", "show", "petg-03", *FEW, "--at", "2026-11-03T10:00+01:00", "--json")
    told = json.loads(shown)
    assert seen["next_fed_wt_pct"] == told["next_fed_wt_pct"]
    assert seen["safe_exposure_s"] == told["safe_exposure_s"]
    assert seen["remaining_mm"] == told["remaining_mm"]


def test_a_later_list_is_read_from_the_outlook_and_agrees_with_a_fresh_look(shop, monkeypatch) -> None:
    shop("spool", "dried", "petg-03", "--hours", "8", "--temperature", "63", "--at", TUE)
    listed(shop, "--at", TUE)

    def never(*_: object, **__: object) -> None:
        raise AssertionError("worked out anew")

    monkeypatch.setattr(shelf_list, "idle_forecast", never)
    later = listed(shop, "--at", WED)["petg-03"]
    assert later["next_fed_wt_pct"]["p50"] > 0


def test_one_changed_event_works_out_only_its_spool(shop, monkeypatch) -> None:
    listed(shop, "--at", WED)
    worked: list[str] = []
    plain = outlooks.idle_forecast

    def counted(spool, state):
        worked.append(spool.id)
        return plain(spool, state)

    with monkeypatch.context() as patch:
        patch.setattr(shelf_list, "idle_forecast", counted)
        listed(shop, "--at", WED)
        assert worked == []
        shop("spool", "fed", "petg-03", "--mass", "5", "--at", TUE)
        first = listed(shop, "--at", WED)
        assert worked == ["petg-03"]
        shop("spool", "undo", "petg-03")
        assert listed(shop, "--at", WED)["petg-03"]["remaining_g"] > first["petg-03"]["remaining_g"]
        assert worked == ["petg-03", "petg-03"]
        shop("place", "read", "box-2", "--humidity", "20", "--at", TUE)  # nobody has been there
        listed(shop, "--at", WED)
        assert worked == ["petg-03", "petg-03"]
        shop("spool", "move", "petg-03", "box-2", "--at", MON)  # pa6-07 stays on the bench
        listed(shop, "--at", WED)
        shop("place", "read", "bench", "--humidity", "50", "--at", "2026-11-02T09:00+01:00")
        listed(shop, "--at", WED)
        worked.clear()
        shop("place", "read", "bench", "--humidity", "60", "--at", TUE)
        listed(shop, "--at", WED)
        assert sorted(worked) == ["pa6-07", "petg-03"]  # one stands there, the other would be taken out to it
        worked.clear()
        shop("place", "set", "bench", "--note", "by the window")
        listed(shop, "--at", WED)
        assert sorted(worked) == ["pa6-07", "petg-03"]


def test_later_events_are_left_out_of_an_earlier_list(shop) -> None:
    shop("spool", "move", "petg-03", "box-2", "--at", WED)
    assert listed(shop, "--at", TUE)["petg-03"]["place"] == "bench"
    assert listed(shop, "--at", "2026-11-04T07:00+01:00")["petg-03"]["place"] == "bench"
    assert listed(shop, "--at", "2026-11-04T09:00+01:00")["petg-03"]["place"] == "box-2"
    before = listed(shop, "--at", "2026-11-01T09:00+01:00")["petg-03"]
    assert "no event up to the moment" in before["trouble"]


def test_the_list_can_be_narrowed_and_shows_the_retired_on_request(shop) -> None:
    shop("spool", "move", "petg-03", "box-2", "--at", TUE)
    assert set(listed(shop, "--place", "box-2", "--at", WED)) == {"petg-03"}
    assert set(listed(shop, "--material", "PA6", "--at", WED)) == {"pa6-07"}
    shop("spool", "retire", "petg-03", "--at", TUE)
    assert set(listed(shop, "--at", WED)) == {"pa6-07"}
    assert listed(shop, "--all", "--at", WED)["petg-03"]["retired"]


def test_a_spool_whose_profile_is_gone_does_not_take_the_list_with_it(shop, tmp_path: pathlib.Path) -> None:
    own = tmp_path / "house.toml"
    petg = (pathlib.Path(__file__).parent.parent / "profiles" / "materials" / "petg.toml").read_text(
        encoding="utf-8"
    )
    own.write_text(petg.replace('key = "PETG"', 'key = "house"'), encoding="utf-8")
    assert shop("spool", "add", "own-1", "--material", own, "--place", "bench", "--at", MON)[0] == 0
    assert listed(shop, "--at", WED)["own-1"]["word"]
    own.unlink()
    seen = listed(shop, "--at", WED)
    assert "no material file" in seen["own-1"]["trouble"]
    assert seen["petg-03"]["word"]
    code, out, _ = shop("spool", "list", *FEW, "--at", WED)
    assert code == 0
    assert "own-1: " in out


def test_the_history_shows_what_was_undone(shop) -> None:
    shop("spool", "weigh", "petg-03", "1228", "--at", TUE, "--note", "[bold]new scale")
    shop("spool", "undo", "petg-03", "--at", WED)
    code, out, _ = shop("spool", "show", "petg-03", *FEW, "--at", WED)
    assert code == 0
    assert "received at bench, new, sealed; PETG, 1000 g" in out
    assert "weighed 1228 g; [bold]new scale  (undone by " in out
    code, out, _ = shop("place", "show", "bench")
    assert "petg-03" in out
    assert "added: kind open" in out


# ---------------------------------------------------------------- places


def test_a_loggers_file_is_shown_as_understood_and_taken_in_once(shop, tmp_path: pathlib.Path) -> None:
    lines = [
        f"0{day}.11.2026 {hour:02d}:00;2{hour % 10 // 5},5;4{day},0"
        for day in (2, 3)
        for hour in range(24)
        if hour != 12
    ]
    (tmp_path / "h.csv").write_text("\n".join(["Zeit;Temperatur °C;Feuchte %", *lines]), encoding="utf-8")
    code, out, err = shop("place", "log", "bench", "h.csv", "--zone", "UTC", "--dry-run")
    assert code == 0
    assert "semicolon between columns, decimal comma, °C, times day.month.year, zone UTC" in out
    assert "nothing written" in err
    code, out, err = shop("place", "log", "bench", "h.csv", "--zone", "UTC")
    assert "46 readings added" in out
    assert "46 readings are new, 0 were there already" in err
    code, out, err = shop("place", "log", "bench", "h.csv", "--zone", "UTC")
    assert code == 0
    assert "0 readings are new, 46 were there already" in err
    _, out, _ = shop("place", "show", "bench", "--json", "--at", WED)
    assert json.loads(out)["readings"] == 46
    assert listed(shop, "--at", WED)["petg-03"]["word"]


def test_a_logger_in_fahrenheit_or_with_a_wrong_clock_is_told(shop, tmp_path: pathlib.Path) -> None:
    for name, year, degrees in (("f.csv", 2026, 70), ("late.csv", 2099, 21)):
        rows = [f"{year}-11-02 0{hour}:00,{degrees},40" for hour in (7, 8, 8)]
        (tmp_path / name).write_text("\n".join(["time,temperature,humidity", *rows]), encoding="utf-8")
    code, _, err = shop("place", "log", "bench", "f.csv", "--zone", "UTC")
    assert code == 1
    assert (
        "bench: 70 °C is hotter than air that nothing heats; write 70F if that is meant, or add --force"
        in err
    )
    code, out, err = shop("place", "log", "bench", "late.csv", "--zone", "UTC")
    assert code == 0
    assert "left out: 1 line whose moment a later line has too" in out
    assert "the last one, 2099-11-02 08:00 UTC, is still to come: set the logger's clock" in err


# ---------------------------------------------------------------- printing


def test_a_job_finds_its_spool_on_the_printer(shop) -> None:
    shop("spool", "dried", "petg-03", "--hours", "8", "--temperature", "63", "--at", TUE)
    assert (
        "named in the file's filament notes"
        in shop("check", PETG, "--printer", "bench-1", *FEW, "--at", TUE)[2]
    )
    shop("spool", "move", "petg-03", "bench-1", "--tool", "0", "--at", TUE)
    shop("spool", "move", "pa6-07", "bench-1", "--tool", "1", "--at", TUE)
    code, out, err = shop(
        "check", PETG, "--printer", "bench-1", *FEW, "--at", "2026-11-03T09:00+01:00", "--json"
    )
    report = json.loads(out)
    assert report["tools"][0]["spool"] == "petg-03"
    assert report["tools"][0]["state"]["place"] == "bench-1"
    assert code == {"clear": 0, "adjust": 10, "runs-out": 21, "dry-first": 20}[report["verdict"]]
    assert "petg-03: on bench-1, tool 0 since" in err
    shop("spool", "move", "petg-03", "box-2", "--at", WED)
    _, _, err = shop("check", PETG, "--printer", "bench-1", *FEW, "--at", "2026-11-04T09:00+01:00")
    assert "pa6-07: on bench-1, tool 1" in err
    named = shop(
        "check", PETG, "--spool", "petg-03", "--printer", "bench-1", *FEW, "--at", "2026-11-04T09:00+01:00"
    )
    assert "petg-03, PETG" in named[1]


def test_a_printer_of_the_ledger_brings_its_profile(shop) -> None:
    shop("place", "add", "left-one", "--kind", "printer", "--printer", "bench-1", "--room", "bench")
    shop("spool", "move", "petg-03", "left-one", "--at", TUE)
    _, out, _ = shop("check", PETG, "--printer", "left-one", *FEW, "--at", TUE, "--json")
    assert json.loads(out)["tools"][0]["spool"] == "petg-03"
    _, out, _ = shop("check", PETG, "--printer", "bench-1", *FEW, "--at", TUE, "--json")  # the profile's name
    assert json.loads(out)["tools"][0]["spool"] == "petg-03"
    shop("spool", "move", "pa6-07", "bench-1", "--at", TUE)
    _, out, _ = shop("check", PETG, "--printer", "bench-1", *FEW, "--at", TUE, "--json")
    assert json.loads(out)["tools"][0]["spool"] == "pa6-07"


def test_the_slicers_notes_name_a_spool_of_the_ledger(shop, tmp_path: pathlib.Path) -> None:
    text = PETG.read_text(encoding="utf-8")
    assert "; filament_notes = " in text
    changed = "\n".join(
        '; filament_notes = "spool: petg-03"' if line.startswith("; filament_notes = ") else line
        for line in text.split("\n")
    )
    (tmp_path / "job.gcode").write_text(changed, encoding="utf-8")
    _, out, err = shop("check", "job.gcode", *FEW, "--at", TUE, "--json")
    assert json.loads(out)["tools"][0]["spool"] == "petg-03"
    assert "named in the file's filament notes" in err
    shop("spool", "undo", "petg-03")
    code, _, err = shop("check", "job.gcode", *FEW, "--at", TUE)
    assert code == 30
    assert "no spool 'petg-03' in the ledger" in err


def test_a_plan_is_noted_once_and_what_was_printed_too(shop) -> None:
    words = [
        "prepare",
        PETG,
        "--spool",
        "petg-03",
        "-o",
        "out.gcode",
        "--report",
        "r.json",
        *FEW,
        "--at",
        TUE,
    ]
    code, out, _ = shop(*words, "--record")
    assert code == 0
    assert "petg-03: planned, " in out
    _, out, err = shop(*words, "--record")
    assert "this plan is noted already" in err
    before = listed(shop, "--at", WED)["petg-03"]["remaining_mm"]
    code, out, err = shop("spool", "fed", "petg-03", "--job", "r.json", "--at", "2026-11-03T12:00+01:00")
    assert code == 0, err
    code, _, err = shop("spool", "fed", "petg-03", "--job", "r.json", "--at", "2026-11-03T13:00+01:00")
    assert code == 1
    assert "this report is noted already" in err
    fed = json.loads(pathlib.Path("r.json").read_text())["tools"][0]["filament_mm"]
    assert listed(shop, "--at", WED)["petg-03"]["remaining_mm"] == pytest.approx(before - fed)
    code, _, err = shop("spool", "fed", "pa6-07", "--job", "r.json")
    assert code == 1
    assert "name it with --tool" in err
    code, _, err = shop("spool", "fed", "pa6-07", "--job", "r.json", "--tool", "0")
    assert code == 0
    assert "the report has petg-03 on that tool; noted of pa6-07 all the same" in err
    code, out, _ = shop("spool", "show", "petg-03", *FEW, "--at", WED)
    assert "planned: hose-clips-petg.gcode" in out


def test_with_a_spool_file_the_plan_is_not_noted_and_that_is_said(gt) -> None:
    words = [
        "prepare",
        PETG,
        "--spool",
        SAMPLES / "shelf" / "petg-03.toml",
        "-o",
        "out.gcode",
        "--record",
        *FEW,
    ]
    code, _, err = gt(*words, "--at", "2026-11-25T09:00:00+01:00")
    assert code == 0
    assert "no spool of the ledger, nothing noted" in err


def test_a_ledger_that_fails_does_not_keep_a_spool_file_from_being_checked(gt, tmp_path, monkeypatch) -> None:
    (tmp_path / "broken.sqlite").write_bytes(b"rubbish " * 1000)
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "broken.sqlite"))
    words = ["check", PETG, "--spool", SAMPLES / "shelf" / "petg-03.toml", "--printer", "bench-1", *FEW]
    code, _, err = gt(*words, "--at", "2026-11-25T09:00:00+01:00")
    assert code in (0, 10)
    assert "the ledger was not read" in err
    code, _, err = gt("spool", "list")
    assert code == 1
    assert "not a ledger, or damaged" in err


# ---------------------------------------------------------------- files, times, completion


def test_export_and_import_through_files(shop, tmp_path: pathlib.Path, monkeypatch) -> None:
    code, out, _ = shop("spool", "export", "petg-03")
    assert code == 0
    assert out.startswith('id = "petg-03"\n')
    shop("place", "read", "bench", "--humidity", "52", "--at", TUE)
    code, _, err = shop("spool", "export", "petg-03")
    assert code == 2
    assert "-o petg-03.toml" in err
    assert "petg-03.bench.csv" in shop("spool", "export", "petg-03", "-o", "a.toml")[1]
    first = pathlib.Path("petg-03.bench.csv").read_bytes(), pathlib.Path("a.toml").read_bytes()
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "other.sqlite"))
    assert shop("spool", "import", "a.toml")[0] == 0
    shop("spool", "export", "petg-03", "-o", "b.toml")
    assert (pathlib.Path("petg-03.bench.csv").read_bytes(), pathlib.Path("b.toml").read_bytes()) == first


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process")
def test_clocks_that_skip_or_repeat_an_hour_are_said(shop, monkeypatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    try:
        code, _, err = shop("spool", "weigh", "petg-03", "1228", "--at", "2027-03-28T02:30")
        assert code == 2
        assert "clocks were put forward over that hour; write it with its offset" in err
        code, out, err = shop("spool", "weigh", "petg-03", "1228", "--at", "2027-10-31T02:30", "--json")
        assert code == 0
        assert "happens twice that day; taken as the first" in err
        assert json.loads(out)["entries"][0]["at"] == "2027-10-31T00:30:00+00:00"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_the_shell_completes_names(ledger_word: str, shop) -> None:
    root = pathlib.Path(__file__).parent.parent
    paths = os.pathsep.join([str(root), *filter(None, [os.environ.get("PYTHONPATH")])])

    def completed(line: str) -> list[str]:
        words = line.split(" ")
        environment = {
            **os.environ,
            "PYTHONPATH": paths,
            "GCODETOOL_LEDGER": ledger_word,
            "_GCODETOOL_COMPLETE": "bash_complete",
            "COMP_WORDS": line,
            "COMP_CWORD": str(len(words) - 1),
        }
        code = "from gcodetool.cli.main import run; run()"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False
        )
        assert not done.stderr
        return done.stdout.split()

    assert completed("gcodetool spool move p") == ["plain,pa6-07", "plain,petg-03"]
    assert completed("gcodetool spool move petg-03 be") == ["plain,bench", "plain,bench-1"]
    assert completed("gcodetool spool dried petg-03 --dryer ") == ["plain,oven"]
    assert completed("gcodetool check job.gcode --spool pe") == ["plain,petg-03"]
    assert completed("gcodetool check job.gcode --printer be") == [
        "plain,bench-1",
        "plain,bench-2",
        "plain,bench-3",
    ]
    assert completed("gcodetool spool add x --material pet") == ["plain,PET_amorphous", "plain,PETG"]
    assert completed("gcodetool spool add x --body poly")[:1] == ["plain,polycarbonate"]
    assert "plain,silica_gel" in completed("gcodetool place add box-9 --desiccant ")
    assert completed("gcodetool profiles show bench-1") == ["plain,bench-1"]


def test_glances_forget_a_cache_that_another_version_wrote(shop) -> None:
    listed(shop, "--at", WED)
    work = shelf_list._List(None, 0.0, 1)
    assert work.kept(("k", "no json"), "", {}) is None
    assert work.kept(("k", '{"places": [], "files": []}'), "", {}) is None
    assert outlooks.from_text('{"form": "0"}') is None
    assert outlooks.from_text("[]") is None


def test_a_box_read_without_a_thermometer_is_as_warm_as_its_room(shop) -> None:
    box = "--kind box --room bench --air 20 --desiccant silica_gel --desiccant-mass 200"
    assert shop("place", "add", "tub", *box.split())[0] == 0
    assert shop("place", "read", "bench", "--humidity", "50", "--temperature", "19", "--at", TUE)[0] == 0
    code, out, err = shop("place", "read", "tub", "--humidity", "22")
    assert code == 0 and "at 19 °C, as known before" in out + err


def test_a_report_is_noted_once_for_each_tool_and_each_word(shop) -> None:
    """One reel on two tools fed both; a print is judged once, or two records of it would count as two prints."""
    tools = [{"tool": tool, "spool": "petg-03", "filament_mm": 1000.0 + tool} for tool in (0, 1)]
    report = {"schema": "gcodetool/report/1", "tools": tools, "job": {"path": "clips.gcode"}}
    pathlib.Path("r.json").write_text(json.dumps(report), encoding="utf-8")
    for tool, word in (("1", "1.00 m"), ("0", "1.00 m")):
        code, out, err = shop("spool", "fed", "petg-03", "--job", "r.json", "--tool", tool)
        assert (code, word in out) == (0, True), err
    code, _, err = shop("spool", "fed", "petg-03", "--job", "r.json", "--tool", "0")
    assert (code, "this report is noted already" in err) == (1, True)
    came = ["spool", "outcome", "petg-03", "--job", "r.json", "--tool", "0"]
    assert shop(*came, "--strings", "few")[0] == 0
    assert shop(*came, "--parts", "good")[0] == 0, "another word of the same print is no second print"
    code, _, err = shop(*came, "--strings", "many")
    assert code == 1
    assert "its strings are noted already (entry" in err
    assert ": few); correct it with 'gcodetool spool undo petg-03" in err
    assert shop(*came, "--strings", "many", "--force")[0] == 0
    digest = hashlib.sha256(pathlib.Path("r.json").read_bytes()).hexdigest()[:12]
    assert shop("spool", "export", "petg-03", "-o", "petg-03.toml")[0] == 0
    events = tomllib.loads(pathlib.Path("petg-03.toml").read_text(encoding="utf-8"))["event"]
    noted = [(one["report"], one["report_tool"]) for one in events if "report" in one]
    assert noted == [(digest, 1), *[(digest, 0)] * 4]


def test_a_note_with_a_reports_name_in_it_is_no_report(shop) -> None:
    report = {
        "schema": "gcodetool/report/1",
        "tools": [{"tool": 0, "spool": "petg-03", "filament_mm": 1000.0}],
        "job": {"path": "clips.gcode"},
    }
    pathlib.Path("r.json").write_text(json.dumps(report), encoding="utf-8")
    sign = f"(report {hashlib.sha256(pathlib.Path('r.json').read_bytes()).hexdigest()[:12]})"
    assert shop("spool", "fed", "petg-03", "--length", "500", "--note", f"before {sign}")[0] == 0
    assert shop("spool", "fed", "petg-03", "--job", "r.json", "--note", "again")[0] == 0
    assert "clips.gcode " + sign in shop("spool", "show", "petg-03")[1]
    assert shop("spool", "fed", "petg-03", "--job", "r.json")[0] == 1


def test_more_than_a_printer_feeds_is_asked_about(shop) -> None:
    """Half a reel within minutes is a slip of the key, or a move noted late; a small print noted late is neither."""
    assert shop("spool", "move", "petg-03", "bench-1", "--at", TUE)[0] == 0
    five = "2026-11-03T08:05+01:00"
    code, _, err = shop("spool", "fed", "petg-03", "--mass", "500", "--at", five)
    assert code == 1
    assert err == (
        "gcodetool: petg-03: 500 g within 5 min on bench-1 is more than a printer feeds; correct the figure, note when "
        "it went there (gcodetool spool move petg-03 bench-1 --at TIME), or add --force; nothing was written\n"
    )
    code, out, _ = shop("spool", "fed", "petg-03", "--length", "3.2", "--at", five)
    assert (code, "fed 3.2 mm" in out) == (0, True)
    assert shop("spool", "fed", "petg-03", "--mass", "40", "--at", five)[0] == 0
    code, _, err = shop("spool", "fed", "petg-03", "--mass", "400", "--at", "2026-11-03T08:30+01:00")
    assert (code, "440 g within 30 min on bench-1" in err) == (1, True)
    for grams in ("200", "150"):  # the prints of a day are noted together
        assert shop("spool", "fed", "petg-03", "--mass", grams, "--at", "2026-11-03T14:00+01:00")[0] == 0
