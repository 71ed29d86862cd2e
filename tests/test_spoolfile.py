"""Spool files: the contract's example reads as it says, and each contradiction is refused at its line."""

# ruff: noqa: E501 - the rows of a table of messages stay on one line each

import datetime
import math
import pathlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.errors import GcodetoolError, ProfileError, SpoolError
from gcodetool.ledger.airlogfile import read_log
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture.air import drying_agent
from gcodetool.moisture.history import state_at

DOCS = pathlib.Path(__file__).resolve().parent.parent / "docs"
SPOOL = """\
id = "pa6-07"
material = "PA6"
fibre_wt_pct = 0
diameter_mm = 1.75
net_mass_g = 750
winding = "wound"
safe_exposure_h = 4
[body]
material = "polystyrene"
mass_g = 210
hub_diameter_mm = 80
width_mm = 60
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 48.0
[place.box-2]
kind = "box"
temperature_C = 22.0
air_L = 9
desiccant = "silica gel"
desiccant_g = 200
[place.bag]
kind = "sealed"
[place.oven]
kind = "dryer"
temperature_C = 78.0
set_offset_C = 5
swing_C = 6
room = "bench"
[place.bench-1]
kind = "printer"
printer = "bench-1"
fed_from = "box-2"
[place.log-room]
kind = "open"
log = "hygrometer.csv"
[[event]]
at = 2026-11-02T08:00:00+01:00
kind = "received"
place = "bench"
[[event]]
at = 2026-11-03T09:00:00+01:00
kind = "fed"
length_mm = 8210
[[event]]
at = 2026-11-02T19:00:00+01:00
kind = "moved"
place = "oven"
[[event]]
at = 2026-11-03T07:00:00+01:00
kind = "weighed"
gross_g = 958.4
[[event]]
at = 2026-11-03T07:00:00+01:00
kind = "inspected"
bubbles = "few"
"""
LOG = "time,temperature_C,rh_pct\n2026-11-01T00:00:00+01:00,21,45\n2026-11-01T01:00:00+01:00,21.5,46\n"


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv(profiles.USER_FOLDER, str(tmp_path / "own"))


@pytest.fixture
def read(tmp_path):
    """Return a reader of a spool file's text; a log and a material of one's own lie beside it."""
    (tmp_path / "hygrometer.csv").write_text(LOG, encoding="utf-8")
    own = (
        profiles.path_of("materials", "PA12")
        .read_text(encoding="utf-8")
        .replace('key = "PA12"', 'key = "house"')
    )
    (tmp_path / "house.toml").write_text(own, encoding="utf-8")
    (tmp_path / "rig.toml").write_text('name = "rig"\ndialect = "marlin"\n', encoding="utf-8")

    def reader(text, encoding="utf-8"):
        path = tmp_path / "spool.toml"
        path.write_bytes(text.encode(encoding))
        return read_spool(path)

    return reader


def seconds(text):
    return datetime.datetime.fromisoformat(text).timestamp()


# ---------------------------------------------------------------- what a file says


def test_the_whole_record_is_read(read, tmp_path):
    spool = read(SPOOL)
    assert (spool.id, spool.material.key, spool.diameter_mm, spool.net_mass_g) == ("pa6-07", "PA6", 1.75, 750)
    assert (spool.fibre_wt_pct, spool.winding, spool.safe_exposure_h) == (0, "wound", 4)
    assert spool.body.profile is not None
    assert (spool.body.profile.key, spool.body.mass_g, spool.body.hub_diameter_mm) == ("polystyrene", 210, 80)
    assert list(spool.places) == ["bench", "box-2", "bag", "oven", "bench-1", "log-room"]
    assert (spool.places["bench"].kind, spool.places["bench"].rh_pct) == ("open", 48)
    box = spool.places["box-2"]
    assert (box.air_L, box.desiccant, box.desiccant_g, box.rh_pct) == (9, "silica gel", 200, None)
    oven = spool.places["oven"]
    assert (oven.temperature_C, oven.set_offset_C, oven.swing_C, oven.room) == (78, 5, 6, "bench")
    assert (spool.places["bench-1"].printer, spool.places["bench-1"].fed_from) == ("bench-1", "box-2")
    log = spool.places["log-room"].log
    assert log is not None
    assert list(log.at_s) == [seconds("2026-11-01T00:00:00+01:00"), seconds("2026-11-01T01:00:00+01:00")]
    assert (list(log.temperature_C), list(log.rh_pct)) == ([21, 21.5], [45, 46])
    assert spool.source == str(tmp_path / "spool.toml")


def test_events_are_sorted_and_ties_keep_the_files_order(read):
    events = read(SPOOL).events
    assert [event.kind for event in events] == ["received", "moved", "weighed", "inspected", "fed"]
    assert [event.line for event in events] == [38, 46, 50, 54, 42]
    assert events[0].at_s == seconds("2026-11-02T07:00:00+00:00")
    assert (events[0].sealed, events[0].water_wt_pct) == (None, None)
    assert (events[2].gross_g, events[2].resolution_g) == (958.4, 0.1)
    assert (events[3].bubbles, events[3].oozes) == ("few", None)
    assert events[4].length_mm == 8210


def test_received_comes_first_among_its_ties(read):
    text = SPOOL.replace("at = 2026-11-02T19:00:00+01:00", "at = 2026-11-02T08:00:00+01:00")
    moved_first = text.split("[[event]]\n")
    moved_first[1], moved_first[3] = moved_first[3], moved_first[1]
    assert read("[[event]]\n".join(moved_first)).events[0].kind == "received"


def test_the_short_form_is_enough(read):
    spool = read(
        'id = "a"\nmaterial = "tpu"\ndiameter_mm = 2.85\nnet_mass_g = 500\n'
        '[place.b]\nkind = "open"\ntemperature_C = 20\nrh_pct = 0\n'
        '[[event]]\nat = 2026-11-02 08:00:00\nkind = "received"\nplace = "b"\n'
    )
    assert (spool.material.key, spool.fibre_wt_pct, spool.winding) == ("TPU_95A", 0, "wound")
    assert (spool.body.profile, spool.body.mass_g, spool.safe_exposure_h, spool.colour) == (
        None,
        None,
        None,
        None,
    )
    assert spool.events[0].at_s == datetime.datetime(2026, 11, 2, 8).timestamp()


def test_paths_are_relative_to_the_file(read, tmp_path):
    for name in ("house.toml", "./house.toml"):
        assert read(SPOOL.replace('"PA6"', f'"{name}"')).material.key == "house"
    printer = read(SPOOL.replace('printer = "bench-1"', 'printer = "rig.toml"')).places["bench-1"].printer
    assert printer == str(tmp_path / "rig.toml")
    assert profiles.printer(printer).name == "rig"


def test_a_broken_material_file_speaks_for_itself(read, tmp_path):
    (tmp_path / "house.toml").write_text("density_kg_m3 = -1\n", encoding="utf-8")
    with pytest.raises(ProfileError, match=r"house\.toml:1: the file has no diffusivity_23C_m2_s; add it"):
        read(SPOOL.replace('"PA6"', '"house.toml"'))


@given(mass_g=st.floats(0, 1e4), diameter_mm=st.floats(0.5, 4))
def test_a_fed_mass_becomes_the_length_that_weighs_it(tmp_path_factory, mass_g, diameter_mm):
    path = tmp_path_factory.getbasetemp() / "fed.toml"
    (path.parent / "hygrometer.csv").write_text(LOG, encoding="utf-8")
    text = SPOOL.replace("length_mm = 8210", f"mass_g = {mass_g!r}").replace(
        "diameter_mm = 1.75", f"diameter_mm = {diameter_mm!r}", 1
    )
    path.write_text(text, encoding="utf-8")
    length_mm = read_spool(path).events[-1].length_mm
    assert length_mm is not None
    volume_mm3 = length_mm * math.pi * diameter_mm**2 / 4
    assert volume_mm3 * 1130e-6 == pytest.approx(mass_g, rel=1e-12)  # 1130 kg/m3 = 1130e-6 g/mm3


FILLED = """
id = "pa6-cf"
material = "PA6"
fibre_wt_pct = {fibre}
diameter_mm = 1.75
net_mass_g = 750
[place.bench]
kind = "open"
temperature_C = 22
rh_pct = 48
[[event]]
at = 2026-11-02T08:00:00Z
kind = "received"
place = "bench"
[[event]]
at = 2026-11-02T09:00:00Z
kind = "fed"
mass_g = {fed_g}
"""


@given(fed_g=st.floats(1.0, 740.0), fibre=st.floats(0.0, 60.0))
def test_what_is_left_and_what_was_fed_make_up_the_reel(tmp_path_factory, fed_g, fibre):
    """Of fibre-filled strand too: a metre of it weighs more than one of the polymer."""
    path = tmp_path_factory.mktemp("spools") / "pa6-cf.toml"
    path.write_text(FILLED.format(fibre=fibre, fed_g=fed_g), encoding="utf-8")
    spool = read_spool(path)
    state = state_at(spool, spool.events[-1].at_s, members=1)
    assert state.remaining_g == pytest.approx(750.0 - fed_g, rel=1e-9)
    assert spool.metre_g * state.remaining_mm / 1e3 == pytest.approx(750.0 - fed_g, rel=1e-9)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_crlf_and_byte_order_marks_change_nothing(read, encoding):
    plain = read(SPOOL)
    other = read(SPOOL.replace("\n", "\r\n"), encoding)
    assert other == plain


def test_the_physics_knows_each_desiccant_that_a_record_may_name(read):
    for key in profiles.names("desiccants"):
        place = read(SPOOL.replace('"silica gel"', f'"{key}"')).places["box-2"]
        assert place.agent == profiles.desiccant(key)
        assert drying_agent(place.agent).content(0.5) > 0.05


def test_a_printer_may_stand_in_a_room_and_be_fed_from_a_box(read):
    place = read(SPOOL.replace('fed_from = "box-2"', 'fed_from = "box-2"\nroom = "bench"')).places["bench-1"]
    assert (place.room, place.fed_from) == ("bench", "box-2")


def test_hot_dryers_happened(read):
    assert (
        read(SPOOL.replace("temperature_C = 78.0", "temperature_C = 160")).places["oven"].temperature_C == 160
    )


def test_the_bodys_material_may_be_unknown(read):
    assert read(SPOOL.replace('"polystyrene"', '"unknown"')).body.profile is None


# ---------------------------------------------------------------- what a file cannot say


@pytest.mark.parametrize(
    "change",
    [
        # the spool; the line at fault is the one that holds !
        ('id = "pa6-07"', 'id = "PA6 07" #!', "id is 'PA6 07'; write small letters a-z, digits and '-' only"),
        ('id = "pa6-07"', "id = 7 #!", "id is a whole number; write a text in quotes"),
        ('id = "pa6-07"', 'id = "a" \nid = "b" #!', "not TOML: Cannot overwrite a value"),
        ('id = "pa6-07"\n', "", "the file has no id; add it"),
        ('material = "PA6"\n', 'material = "PTEG" #!\n', "no material 'PTEG'; did you mean 'PETG'"),
        ('material = "PA6"\n', 'material = "none.toml" #!\n', "no material file 'none.toml' beside this file; correct"),
        ('material = "PA6"\n', 'material = "PC/ABS" #!', "no material 'PC/ABS'; known: ABS, ASA"),
        ('material = "PA6"\n', "", "the file has no material; add it"),
        ("diameter_mm = 1.75", "diameter_mm = -1.75 #!", "diameter_mm is -1.75, but must be more than 0 and at most 10"),
        ("diameter_mm = 1.75\n", "", "the file has no diameter_mm; add it"),
        ("net_mass_g = 750", "net_mass_g = -750 #!", "net_mass_g is -750, but must be more than 0"),
        ("net_mass_g = 750", "net_mass_g = inf #!", "net_mass_g is not finite; write a number"),
        ("net_mass_g = 750", "net_mass_g = true #!", "net_mass_g is true or false; write a number without quotes"),
        ("net_mass_g = 750", "net_mass_g = '750 C' #!", "net_mass_g: '750 C': 'C' is no unit of a mass; write 958.4"),
        ("net_mass_g = 750", "net_mas_g = 750 #!", "'net_mas_g' is no key of the file; did you mean 'net_mass_g'?"),
        ("fibre_wt_pct = 0", "fibre_wt_pct = 95 #!", "fibre_wt_pct is 95, but must be from 0 to 90; correct it"),
        ('winding = "wound"', 'winding = "wond" #!', "winding is 'wond', but must be wound | loose; did you mean 'wound'"),
        ("safe_exposure_h = 4", "safe_exposure_h = 0 #!", "safe_exposure_h is 0, but must be more than 0"),
        # the body
        ('"polystyrene"', '"polystyrol" #!', "no spool body 'polystyrol'; did you mean 'polystyrene' or"),
        ("mass_g = 210", "mass_g = -1 #!", "mass_g is -1, but must be from 0 to 100000; correct it"),
        ("width_mm = 60", "width_mm = 60\nouter_diameter_mm = 70 #!", "outer_diameter_mm is 70, not more than hub_dia"),
        ("width_mm = 60", "widht_mm = 60 #!", "'widht_mm' is no key of [body]; did you mean 'width_mm'?"),
        # places
        ("rh_pct = 48.0", "rh_pct = 101 #!", "rh_pct is 101, but must be from 0 to 100; correct it"),
        ("rh_pct = 48.0", "rh_pct = nan #!", "rh_pct is not finite; write a number"),
        ("[place.bench]", "[place.bench] #!", "[place.bench] is open, so its air must be known; add temp", "rh_pct = 48.0"),
        ("temperature_C = 22.0\nrh", "temperature_C = -41 #!\nrh", "temperature_C is -41, but must be from -40 to 200"),
        ("temperature_C = 78.0", "temperature_C = 201 #!", "temperature_C is 201, but must be from -40 to 200"),
        ('[place.bench]\nkind = "open"', '[place.bench]\nkind = "opn" #!', "kind is 'opn', but must be open | box | se"),
        ('[place.bench]\nkind = "open"', "[place.bench] #!", "[place.bench] has no kind; add it"),
        ("[place.box-2]", "[place.box-2] #!", "[place.box-2] is a box; add rh_pct as read, or air_L", "desiccant_g = 200\n"),
        ('"silica gel"', '"silca gel" #!', "no desiccant 'silca gel'; did you mean 'silica_gel'?"),
        ('kind = "sealed"', 'kind = "sealed"\ndraught = 2 #!', "'draught' does not belong to kind 'sealed'; known: "),
        ('kind = "sealed"', 'kind = "sealed"\nfilm = "fool" #!', "film is 'fool', but must be foil | metallised | polyamide-polyethylene | polyethylene; did you mean 'foil'?"),
        ('kind = "sealed"', 'kind = "sealed"\nleak_g_per_day = 0.1\nfilm = "foil" #!', "leak_g_per_day says what comes through already"),
        ('[place.bag]\nkind = "sealed"', '[place.bag] #!\nkind = "sealed"\nfilm_area_m2 = 0.2', "[place.bag] has no film; add it"),
        ("[place.oven]", "[place.oven] #!", "[place.oven] has no temperature_C; add it", "temperature_C = 78.0\n"),
        ("[place.oven]", "[place.oven] #!", "[place.oven] is a dryer; add room", 'room = "bench"\n'),
        ('room = "bench"', 'room = "bensch" #!', "no place 'bensch' in this file; did you mean 'bench'"),
        ('room = "bench"', 'room = "oven" #!', "oven → oven goes in a circle; name a place with air of its own"),
        ('fed_from = "box-2"', 'fed_from = "bench-1" #!', "bench-1 → bench-1 goes in a circle"),
        ('fed_from = "box-2"', 'fed_from = "box-3" #!', "no place 'box-3' in this file; did you mean 'box-2'?"),
        ("[place.bench-1]", "[place.bench-1] #!", "[place.bench-1] is a printer; add room (whose", 'fed_from = "box-2"\n'),
        ('printer = "bench-1"', 'printer = "rig-44" #!', "no printer 'rig-44'; did you mean 'rig-4'?"),
        ('printer = "bench-1"', 'printer = "no.toml" #!', "no printer file 'no.toml' beside this file; correct the path"),
        ('log = "hygrometer.csv"', 'log = "hydro.csv" #!', "no log 'hydro.csv' beside this file; correct the path"),
        ("[place.bag]", "[place]\nbag2 = 5 #!\n[place.bag]", "place.bag2 is a whole number; write a table, [place.NAME]"),
        # events
        ('kind = "moved"', 'kind = "mooved" #!', "kind is 'mooved', but must be received | moved | weighed"),
        ('place = "oven"', 'place = "ofen" #!', "no place 'ofen' in this file; did you mean 'oven'"),
        ('place = "oven"', "tool = 1", "[[event]] has no place; add it"),
        ('place = "oven"', 'place = "oven"\ntool = 1.5 #!', "tool is a number; write a whole number"),
        ("gross_g = 958.4", "gross_g = -1 #!", "gross_g is -1, but must be more than 0"),
        ("gross_g = 958.4", "gros_g = 1 #!", "'gros_g' does not belong to kind 'weighed'; did you mean 'gross_g'?"),
        ('bubbles = "few"', 'bubbles = "lots" #!', "bubbles is 'lots', but must be none | few | many; write one of"),
        ('bubbles = "few"', "oozes = 'no' #!", "oozes is a text; write true or false"),
        ("length_mm = 8210", "length_mm = -1 #!", "length_mm is -1, but must be from 0 to 1e+09; correct it"),
        ("length_mm = 8210", "mass_g = nan #!", "mass_g is not finite; write a number"),
        ("at = 2026-11-02T19:00:00+01:00", "at = 2026-11-01T19:00:00+01:00 #!", "'moved' is before 'received' (line 38)"),
        ("at = 2026-11-02T19:00:00+01:00", "at = 2026-11-02 #!", "at is a date without a time, not a date with a time"),
        ("at = 2026-11-02T19:00:00+01:00", "at = 'yesterday 19:00' #!", "at: 'yesterday 19:00' is no time; write 2026-11-04"),
        ("at = 2026-11-02T19:00:00+01:00", "at = 2026-13-02T19:00:00 #!", "not TOML: "),
        ('kind = "moved"', 'kind = "received" #!', "a second 'received' (the first: line 38); keep one"),
        ("[[event]]\nat = 2026-11-03T09", "[[event]] #!\nat = 2026-11-03T09", "a 'fed' event needs one of length_mm and", "length_mm = 8210\n"),
        ("[[event]]\nat = 2026-11-03T07:00:00+01:00\nkind = \"i", "[[event]] #!\nat = 2026-11-03T07:00:00+01:00\nkind = \"i", "an inspection says nothing; add bubbles", 'bubbles = "few"\n'),
        ("[[event]]\nat = 2026-11-02T19:00:00+01:00\n", "[[event]] #!\n", "[[event]] has no at; add it"),
    ],
    ids=lambda change: change[2][:40],
)  # fmt: skip
def test_a_contradiction_is_refused_at_its_line(read, tmp_path, change):
    old, new, message, *gone = change  # gone: text that is taken out besides
    text = SPOOL
    for before, after in [(old, new), *((part, "") for part in gone)]:
        assert before in text
        text = text.replace(before, after, 1)
    line = next((number for number, line in enumerate(text.split("\n"), 1) if "#!" in line), None)
    with pytest.raises(SpoolError) as caught:
        read(text)
    said = str(caught.value)
    found = re.fullmatch(re.escape(str(tmp_path / "spool.toml")) + r":(\d+): (.*)", said)
    assert found, said
    assert found[2].startswith(message), said
    assert line is None or int(found[1]) == line
    assert re.search(r"[;?]", said)  # it says what to do
    assert said.isprintable()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the spool file is empty; fill it or name another"),
        (SPOOL[: SPOOL.index("[[event]]")], "1: the file has no event; add it"),
        (
            SPOOL.replace('kind = "received"\nplace = "bench"', 'kind = "weighed"\ngross_g = 1'),
            "1: no event of kind 'received'",
        ),
        (
            SPOOL.replace("[[event]]", "[event]", 1).split("[[event]]")[0],
            "38: event must be an array of tables; head each",
        ),
        (SPOOL.replace('"PA6"', '"PA6'), "2: not TOML: "),
        ('a = "' + "x" * 99, "1: not TOML: "),
    ],
)
def test_a_file_that_is_no_record_is_refused(read, tmp_path, text, message):
    with pytest.raises(SpoolError) as caught:
        read(text)
    assert re.sub(r"^: ?", "", str(caught.value).replace(str(tmp_path / "spool.toml"), "", 1)).startswith(
        message
    )


def test_missing_files_and_folders_are_refused(tmp_path):
    with pytest.raises(SpoolError, match=r"none\.toml: no such spool file; check the path"):
        read_spool(tmp_path / "none.toml")
    with pytest.raises(SpoolError, match="a folder, not a spool file; name the file in it"):
        read_spool(tmp_path)


def test_a_longer_circle_is_found(read, tmp_path):
    text = SPOOL.replace('room = "bench"', 'room = "bench-1"').replace(
        'fed_from = "box-2"', 'fed_from = "oven"'
    )
    with pytest.raises(SpoolError) as caught:
        read(text)
    assert str(caught.value).endswith(
        ":30: oven → bench-1 → oven goes in a circle; name a place with air of its own"
    )


@given(st.data())
def test_any_mangled_record_is_read_or_refused_in_one_line(tmp_path_factory, data):
    """Lines dropped, doubled, swapped or overwritten: a record, or one line naming the file."""
    lines = SPOOL.split("\n")
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        act = data.draw(st.sampled_from(["drop", "double", "swap", "value"]))
        if act == "drop" and len(lines) > 1:
            del lines[at]
        elif act == "double":
            lines.insert(at, lines[at])
        elif act == "swap":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif "=" in lines[at]:
            value = data.draw(
                st.sampled_from(["-1", "nan", "true", '""', '"x"', "[]", "{}", "1e400", "2026-11-02"])
            )
            lines[at] = lines[at].split("=")[0] + "= " + value
    path = tmp_path_factory.getbasetemp() / "mangled.toml"
    (path.parent / "hygrometer.csv").write_text(LOG, encoding="utf-8")
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        spool = read_spool(path)
    except GcodetoolError as problem:
        assert re.match(re.escape(str(path)) + r"(:\d+)?: ", str(problem))
        assert str(problem).isprintable()
    else:
        assert spool.events[0].kind == "received"


# ---------------------------------------------------------------- logs


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "rh_pct",
            "humidity",
            "1: the log has no column rh_pct; name the columns in the first line: time,temperature_C,rh_pct",
        ),
        (",45", "", "2: 2 values where 3 are needed; complete the line"),
        (",45", ",101", "2: rh_pct is 101, but must be from 0 to 100; correct it"),
        (",45", ",nan", "2: rh_pct 'nan' is no number; correct it"),
        (",45", ",", "2: rh_pct '' is no number; correct it"),
        (",21.5", ",21 C", "3: temperature_C '21 C' is no number; correct it"),
        (
            "2026-11-01T00",
            "yesterday",
            "2: 'yesterday:00:00+01:00' is no time; write 2026-11-02T08:00:00+01:00",
        ),
        (
            "2026-11-01T01",
            "2026-10-31T01",
            "3: time '2026-10-31T01:00:00+01:00' is before the reading above it; sort",
        ),
    ],
)
def test_a_log_that_lies_is_refused_at_its_line(tmp_path, old, new, message):
    path = tmp_path / "log.csv"
    path.write_text(LOG.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SpoolError) as caught:
        read_log(path)
    assert str(caught.value).startswith(f"{path}:{message}")


def test_a_log_without_readings_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    for text in ("", "time,temperature_C,rh_pct\n"):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(
            SpoolError, match="the log holds no reading; fill it or state temperature_C and rh_pct"
        ):
            read_log(path)


def test_a_log_may_have_other_columns_blank_lines_and_naive_times(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(
        b"\xef\xbb\xbfrh_pct, time ,lux,temperature_C\r\n45,2026-11-01 00:00,9,21\r\n\r\n46,2026-11-01 00:00,9,22\r\n"
    )
    log = read_log(path)
    assert list(log.at_s) == [datetime.datetime(2026, 11, 1).timestamp()]
    assert (list(log.temperature_C), list(log.rh_pct)) == ([22], [46])  # the later reading of one time counts


# ---------------------------------------------------------------- samples and documents


def test_the_sample_shelf_reads():
    shelf = sorted((profiles.sample_folder() / "shelf").glob("*.toml"))
    assert len(shelf) >= 4
    for path in shelf:
        spool = read_spool(path)
        assert spool.id == path.stem
        for place in spool.places.values():
            assert place.printer is None or profiles.printer(place.printer).name == place.printer


def test_samples_name_spools_of_the_shelf():
    folder = profiles.sample_folder()
    named = set()
    for path in sorted(folder.glob("*.gcode")):
        named |= set(
            re.findall(r"^; filament_notes = .*\bspool: ([a-z0-9-]+)", path.read_text("utf-8"), re.MULTILINE)
        )
    assert named
    assert named <= {path.stem for path in (folder / "shelf").glob("*.toml")}


def test_each_example_in_the_documents_reads(tmp_path):
    """``docs/records.md``: every TOML block names its file on the line above, and is complete."""
    text = (DOCS / "records.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^`([\w./-]+)`:\n\n```(?:toml|csv)\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    assert {"spool", "material", "printer"} <= {name.split("-")[0] for name, _ in blocks}
    assert len(blocks) == text.count("```toml") + text.count("```csv")
    for name, block in blocks:
        (tmp_path / name).write_text(block, encoding="utf-8")
    readers = {
        "spool": read_spool,
        "material": profiles.material,
        "printer": profiles.printer,
        "hygrometer": read_log,
    }
    for name, _ in blocks:
        readers[name.split("-")[0].removesuffix(".csv")](tmp_path / name)
