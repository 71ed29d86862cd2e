"""Profiles: every shipped value is the reference's, names find files, files that lie are refused."""

import dataclasses
import math
import os
import pathlib

import pytest
import tomli

from gcodetool import profiledata, profilefile, profiles
from gcodetool.app.profiles import check_profiles
from gcodetool.cli.main import outcome
from gcodetool.errors import ProfileError
from gcodetool.profiles import Material

HERE = pathlib.Path(__file__).resolve().parent
REFERENCE = tomli.loads((HERE / "data" / "materials-reference.toml").read_text(encoding="utf-8"))
LOADERS = {
    "materials": profiles.material,
    "printers": profiles.printer,
    "dryers": profiles.dryer,
    "spool-bodies": profiles.spool_body,
    "desiccants": profiles.desiccant,
    "humidity": profiles.salt_solution,
}
OURS = {"key", "aliases", "slicer_types", "source"}  # keys that a profile file adds to the reference's
SHIPPED = [path for kind in LOADERS for path in sorted((profiles.shipped_folder() / kind).glob("*.toml"))]


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """Keep the profiles of whoever runs the tests out of them."""
    monkeypatch.setenv(profiles.USER_FOLDER, str(tmp_path / "own"))
    return tmp_path / "own"


# ---------------------------------------------------------------- what is shipped


def test_something_is_shipped_of_each_kind():
    assert {path.parent.name for path in SHIPPED} == set(LOADERS)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_each_shipped_file_loads_under_its_own_name(path):
    kind = path.parent.name
    loaded = LOADERS[kind](path)
    key = loaded.name if kind == "printers" else loaded.key
    assert profiles.slug(key) == path.stem
    assert key in profiles.names(kind)
    assert LOADERS[kind](key) == loaded
    assert profiles.path_of(kind, key.upper()) == path


OURS_OF = {
    "desiccants": {"name", "comes_back_pct", "excess_heat_kJ_mol", "cautions", "uncertain", "indicator"},
    "spool-bodies": {
        "uptake_shape",
        "exchange_hours",
        "exchange_hours_range",
        "exchange_activation_kJ_mol",
        "flange_open_share",
        "flange_open_range",
    },
}


@pytest.mark.parametrize(
    ("kind", "table"), [("materials", "polymer"), ("spool-bodies", "spool_body"), ("desiccants", "desiccant")]
)
def test_shipped_files_state_the_reference_value_by_value(kind, table):
    assert sorted(profiles.names(kind)) == sorted(REFERENCE[table])
    for key, expected in REFERENCE[table].items():
        stated = tomli.loads(profiles.path_of(kind, key).read_text(encoding="utf-8"))
        ours = OURS | OURS_OF.get(kind, set())
        assert {name: value for name, value in stated.items() if name not in ours} == expected
        assert stated.get("source", {}) == {
            name: REFERENCE["source"][name] for name in expected.get("sources", [])
        }
        loaded = LOADERS[kind](key)
        for name, value in expected.items():
            found = getattr(loaded, name)
            if name == "capacity_at_rh":
                assert found == tuple((rh, content) for rh, content in value)
            else:
                assert found == (tuple(value) if isinstance(value, list) else value), (key, name)


def test_each_source_is_told_in_full():
    for key in profiles.names("materials"):
        stock = profiles.material(key)
        assert set(stock.source_texts) == set(stock.sources)
        for name, text in stock.source_texts.items():
            for part in REFERENCE["source"][name].values():
                assert part in text


def test_no_name_means_two_profiles():
    for kind, loader in LOADERS.items():
        seen = {}
        for key in profiles.names(kind):
            loaded = loader(key)
            for name in {profiles.slug(name) for name in (key, *getattr(loaded, "aliases", ()))}:
                assert seen.setdefault(name, key) == key


def test_each_key_of_a_material_file_is_an_attribute():
    keys = {
        *profilefile.NUMBERS,
        *profilefile.RANGES,
        *profilefile.TEXTS,
        "aliases",
        "slicer_types",
        "sources",
    }
    made = {"key", "raw", "path", "source_texts", "hydrolyses", "adopted"}
    assert {field.name for field in dataclasses.fields(Material)} == keys | made


def test_half_humidity_follows_the_isotherm(own_folder):
    """The content at 23 °C, 50 % RH that a file leaves out is that of its isotherm."""
    for key in profiles.names("materials"):
        stated = profiles.material(key)
        filled = load_material(own_folder, without(text_of("materials", key), "uptake_50rh_wt_pct"))
        assert filled.uptake_50rh_wt_pct == pytest.approx(stated.uptake_50rh_wt_pct, rel=0.07)


def test_printers_speak_their_firmware():
    assert profiles.printer("bench-1").klipper["max_accel"] == 3000
    assert profiles.printer("bench-1").klipper_firmware_retraction is None
    assert profiles.printer("bench-2").marlin["M205"] == {"X": 8, "Y": 8, "Z": 0.4, "E": 5}
    assert profiles.printer("bench-3").marlin["M205"] == {"J": 0.013}
    rig = profiles.printer("rig-4")
    assert rig.reprapfirmware["M566"]["P"] == 0
    assert (rig.klipper, rig.marlin) == ({}, {})
    assert rig.park == (5.0, 5.0)


def test_samples_are_where_the_package_says():
    folder = profiles.sample_folder()
    assert sorted(folder.glob("*.gcode"))
    assert sorted((folder / "shelf").glob("*.toml"))


def test_an_installed_copy_reads_the_profiles_beside_it(tmp_path, monkeypatch):
    monkeypatch.setattr(profiledata, "__file__", str(tmp_path / "gcodetool" / "profiledata.py"))
    assert profiles.shipped_folder() == tmp_path / "profiles"
    inside = tmp_path / "gcodetool" / "shipped" / "profiles"
    inside.mkdir(parents=True)
    assert profiles.shipped_folder() == inside


# ---------------------------------------------------------------- names


def test_names_need_no_case_blank_or_dash():
    for word in ("PA6_66", "pa6-66", "Pa6 66", "copolyamide"):
        assert profiles.material(word).key == "PA6_66"
    assert profiles.desiccant("silica gel").key == "silica_gel"
    assert profiles.spool_body("Recycled PLA").safe_C == 45


@pytest.mark.parametrize(
    ("word", "key"),
    [("nylon", "PA6"), ("PA", "PA6"), ("TPU", "TPU_95A"), ("FLEX", "TPU_95A"), ("PET", "PET_amorphous")],
)
def test_trade_words_mean_one_material(word, key):
    assert profiles.material(word).key == key


def test_the_users_own_profile_wins(own_folder):
    (own_folder / "materials").mkdir(parents=True)
    path = own_folder / "materials" / "house-nylon.toml"
    text = text_of("materials", "PA12").replace('key = "PA12"', 'key = "house"').replace("nylon-12", "nylon")
    path.write_text(text, encoding="utf-8")
    assert profiles.material("nylon").key == "house"
    assert profiles.material("house-nylon").path == str(path)
    assert "house" in profiles.names("materials")
    assert "PA6" in profiles.names("materials")


def test_a_broken_profile_of_ones_own_spoils_no_other(own_folder):
    (own_folder / "materials").mkdir(parents=True)
    (own_folder / "materials" / "broken.toml").write_text("key = ", encoding="utf-8")
    assert profiles.material("nylon").key == "PA6"
    assert "broken" in profiles.names("materials")
    with pytest.raises(ProfileError, match=r"broken\.toml:1: not TOML"):
        profiles.material("broken")


def test_a_path_means_itself(own_folder, monkeypatch):
    own_folder.mkdir()
    (own_folder / "mine.toml").write_text(text_of("materials", "PLA"), encoding="utf-8")
    assert profiles.material(own_folder / "mine.toml").key == "PLA"
    assert profiles.material(str(own_folder / "mine.toml")).key == "PLA"
    monkeypatch.chdir(own_folder)
    assert profiles.material("mine.toml").key == "PLA"
    with pytest.raises(ProfileError, match="no such material file; check the path"):
        profiles.material("./other.toml")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: profiles.material("PTEG"), "no material 'PTEG'; did you mean 'PETG'"),
        (lambda: profiles.material("wood"), "no material 'wood'; known: ABS, ASA, HIPS, PA12,"),
        (lambda: profiles.material(""), "no material ''; known: ABS"),
        (lambda: profiles.material("polyamid"), "no material 'polyamid'; did you mean 'PA6'?"),
        (lambda: profiles.material("copolyesteramide"), "no material 'copolyesteramide'; known: ABS, ASA"),
        (
            lambda: profiles.material("PB"),
            "no material 'PB'; known: ABS, ASA",
        ),  # PA, PC, PP: each as near as the others
        (
            lambda: profiles.material("PETG-CF"),
            "no material 'PETG-CF'; name PETG, and beside it its share of fibre",
        ),
        *(
            (lambda name=name: profiles.material(name), f"no material '{name}'; known: ABS, ASA")
            for name in (
                "PPS",
                "PVB",
                "PHA",
                "PCL",
                "EVA",
                "PBT",
                "PEKK",
                "PA66",
                "PA11",
                "PA612",
                "TPU 85A",
                "PPS-CF",
            )
        ),  # a letter or a figure from one that is here, with another nozzle or oven
        (lambda: profiles.printer("bench_9"), "no printer 'bench_9'; did you mean 'bench-"),
        (lambda: profiles.spool_body("polystyrol"), "no spool body 'polystyrol'; did you mean 'polystyrene'"),
        (lambda: profiles.dryer("ovn"), "no dryer 'ovn'; did you mean 'oven'?"),
        (lambda: profiles.desiccant("rice"), "no desiccant 'rice'; known: activated_alumina,"),
        (lambda: profiles.find("bench-11"), "no profile 'bench-11'; did you mean 'bench-1'"),
    ],
)
def test_an_unknown_name_gets_the_nearest_ones(call, message):
    with pytest.raises(ProfileError) as caught:
        call()
    assert str(caught.value).startswith(message)


def test_find_looks_through_all_kinds():
    assert profiles.find("bench-1").parent.name == "printers"
    assert profiles.find("abs").parent.name == "materials"
    assert profiles.find("cardboard").parent.name == "spool-bodies"


def test_slicer_types():
    assert profiles.fits("PA", profiles.material("PA12"))
    assert profiles.fits("PA6-CF", profiles.material("PA6"))
    assert profiles.fits("PETG-GF15", profiles.material("PETG"))
    assert profiles.fits("PET", profiles.material("PETG"))
    assert not profiles.fits("PC", profiles.material("PCTG"))
    stock, caution = profiles.of_slicer_type("petg")
    assert (stock.key if stock else None, caution) == ("PETG", None)
    assert profiles.of_slicer_type("wood") == (
        None,
        "no material profile answers to the slicer's type 'wood'",
    )


# ---------------------------------------------------------------- files that lie


def text_of(kind, name):
    return profiles.path_of(kind, name).read_text(encoding="utf-8")


def without(text, key):
    return "\n".join(line for line in text.split("\n") if not line.startswith(key + " ="))


def load_material(folder, text):
    folder.mkdir(exist_ok=True)
    path = folder / "x.toml"
    path.write_text(text, encoding="utf-8")
    return profiles.material(path)


def test_a_short_material_file_takes_the_stated_defaults(own_folder):
    text = """
        diffusivity_23C_m2_s = 1e-12
        activation_energy_kJ_mol = 43
        uptake_saturation_wt_pct = 0.6
        isotherm_exponent = 1.5
        limit_good_wt_pct = 0.1
        limit_marginal_wt_pct = 0.2
        density_kg_m3 = 1250
        dry_at_C = 65
        nozzle_min_C = 230
        nozzle_max_C = 260
    """
    stock = load_material(own_folder, text)
    assert (stock.key, stock.name) == ("x", "x")
    assert stock.uptake_50rh_wt_pct == pytest.approx(0.6 * 0.5**1.5)
    assert (stock.dry_at_max_C, stock.nozzle_bond_min_C) == (65, 230)
    assert (stock.diffusivity_conc_coeff_per_wt_pct, stock.sorption_excess_enthalpy_kJ_mol) == (0, 0)
    assert (stock.hydrolyses, stock.confidence) == (True, "not stated")
    assert isinstance(stock.dry_at_C, float)


def edited(text, old, new):
    """Return *text* with the line of key *old* replaced, and the number of that line."""
    lines = text.split("\n")
    number = next(number for number, line in enumerate(lines, 1) if line.startswith(old))
    lines[number - 1] = new
    return "\n".join(lines), number


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "diffusivity_23C",
            "diffusivity_23C_m2_s = -1e-12",
            "diffusivity_23C_m2_s is -1e-12, but must be from 1e-20",
        ),
        (
            "diffusivity_23C",
            "diffusivity_23C_m2_s = nan",
            "diffusivity_23C_m2_s is not finite; write a number",
        ),
        (
            "diffusivity_23C",
            "diffusivity_23C_m2_s = 'slow'",
            "diffusivity_23C_m2_s is a text; write a number without quotes",
        ),
        ("activation_energy_kJ", "activation_energy_kJ_mol = inf", "activation_energy_kJ_mol is not finite"),
        (
            "density_kg_m3",
            "density_kg_m3 = true",
            "density_kg_m3 is true or false; write a number without quotes",
        ),
        (
            "limit_good",
            "limit_good_wt_pct = 0.9",
            "limit_good_wt_pct is 0.9, above limit_marginal_wt_pct (0.5); correct",
        ),
        ("limit_good", "limit_good_wt_pct = 0", "limit_good_wt_pct is 0, but must be more than 0"),
        (
            "nozzle_min_C",
            "nozzle_min_C = 300",
            "nozzle_min_C is 300, above nozzle_max_C (290); correct one of them",
        ),
        ("nozzle_bond", "nozzle_bond_min_C = 300", "nozzle_bond_min_C is 300, above nozzle_max_C (290)"),
        ("dry_at_max_C", "dry_at_max_C = 700", "dry_at_max_C is 700, but must be from 20 to 250; correct it"),
        (
            "uptake_50rh_range",
            "uptake_50rh_range_wt_pct = [3, 4]",
            "uptake_50rh_wt_pct, 2.7, lies outside uptake_50rh_r",
        ),
        (
            "uptake_50rh_range",
            "uptake_50rh_range_wt_pct = [3, 2]",
            "uptake_50rh_range_wt_pct runs from high to low",
        ),
        (
            "uptake_50rh_range",
            "uptake_50rh_range_wt_pct = 3",
            "uptake_50rh_range_wt_pct must be a list of 2 numbers",
        ),
        (
            "isotherm_henry",
            "isotherm_henry_fraction = 1.5",
            "isotherm_henry_fraction is 1.5, but must be from 0 to 1",
        ),
        ("hydrolyses", "hydrolyses = 'yes'", "hydrolyses is a text; write true or false"),
        ("softening_C", "softning_C = 160", "'softning_C' is no key of the file; did you mean 'softening_C'"),
        ("sources", "sources = 'one'", 'sources must be a list of texts; write ["…", "…"]'),
        (
            "cite",
            "citation = 'x'",
            "'citation' is no key of [source.arhant2016]; known: cite, doi, seen, url",
        ),
    ],
)
def test_a_material_file_that_lies_is_refused_at_its_line(own_folder, old, new, message):
    text, line = edited(text_of("materials", "PA6"), old, new)
    with pytest.raises(ProfileError) as caught:
        load_material(own_folder, text)
    assert str(caught.value).startswith(f"{own_folder / 'x.toml'}:{line}: {message}")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("key", [*profilefile.NUMBERS, *profilefile.RANGES])
def test_every_key_of_a_number_is_refused_where_it_is_misspelt(own_folder, key):
    wrong = key[:5] + key[6:]
    text = f"{wrong} = 1\n" + without(text_of("materials", "PA6"), key)
    with pytest.raises(
        ProfileError, match=rf"x\.toml:1: '{wrong}' is no key of the file; did you mean '{key}'"
    ):
        load_material(own_folder, text)


@pytest.mark.parametrize("key", profilefile.NEEDED)
def test_a_material_file_without_a_needed_key_is_refused(own_folder, key):
    with pytest.raises(ProfileError, match=rf"x\.toml:1: the file has no {key}; add it"):
        load_material(own_folder, without(text_of("materials", "PLA"), key))


def test_a_material_file_needs_one_whole_isotherm(own_folder):
    text = without(text_of("materials", "PLA"), "isotherm_cluster_exponent")
    with pytest.raises(
        ProfileError, match="isotherm_henry_fraction is stated without isotherm_cluster_exponent; add it"
    ):
        load_material(own_folder, text)
    text = without(without(text, "isotherm_henry_fraction"), "isotherm_exponent")
    with pytest.raises(ProfileError, match="the file has no isotherm; add isotherm_henry_fraction and"):
        load_material(own_folder, text)


def load_printer(folder, text):
    folder.mkdir(exist_ok=True)
    path = folder / "x.toml"
    path.write_text(text, encoding="utf-8")
    return profiles.printer(path)


def test_a_printer_needs_its_name_and_dialect_only(own_folder):
    printer = load_printer(own_folder, 'name = "bare"\ndialect = "marlin"\n')
    assert (printer.name, printer.dialect, printer.bed_mm, printer.park) == ("bare", "marlin", None, None)
    assert printer.hot_end == profiles.HotEnd()
    assert printer.retraction.max_length_mm is None
    assert printer.waiting.start_s is None


def test_whole_numbers_become_floats(own_folder):
    text = 'name = "x"\ndialect = "klipper"\n[klipper]\nmax_accel = 3000\n'
    text += "[klipper.firmware_retraction]\nretract_speed = 20\n"
    printer = load_printer(own_folder, text)
    assert isinstance(printer.klipper["max_accel"], float)
    assert printer.klipper_firmware_retraction == {"retract_speed": 20.0}


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ('dialect = "marlin"', 1, "the file has no name; add it"),
        ('name = "x"', 1, "the file has no dialect; add it"),
        (
            'name = "x"\ndialect = "kliper"',
            2,
            "dialect is 'kliper', but must be marlin | klipper | reprapfirmware; did",
        ),
        (
            'name = "x"\ndialect = "klipper"\n[marlin]\nM201 = {X = 1}',
            3,
            "[marlin] has no meaning for dialect 'klipper'",
        ),
        (
            'name = "x"\ndialect = "klipper"\n[klipper]\nmax_acel = 1',
            4,
            "'max_acel' is no key of [klipper]; did you mean",
        ),
        (
            'name = "x"\ndialect = "klipper"\n[klipper]\nmax_accel = -1',
            4,
            "max_accel is -1, but must be from 0.001",
        ),
        (
            'name = "x"\ndialect = "klipper"\n[klipper]\nminimum_cruise_ratio = 1',
            4,
            "minimum_cruise_ratio is 1, but must",
        ),
        (
            'name = "x"\ndialect = "marlin"\n[marlin]\nM205 = {X = 8, J = 0.013}',
            4,
            "M205 has both J (junction deviation)",
        ),
        (
            'name = "x"\ndialect = "marlin"\n[marlin]\nM205 = {J = 0.5}',
            4,
            "J is 0.5, but must be from 0.01 to 0.3",
        ),
        ('name = "x"\ndialect = "marlin"\n[marlin]\nM203 = {}', 4, "M203 is empty; fill it or leave it out"),
        (
            'name = "x"\ndialect = "marlin"\n[marlin]\nM203 = 300',
            4,
            "M203 is a whole number; write a table, [M203]",
        ),
        ('name = "x"\ndialect = "marlin"\n[marlin]\nM566 = {X = 1}', 4, "'M566' is no key of [marlin]"),
        (
            'name = "x"\ndialect = "reprapfirmware"\n[reprapfirmware]\nM566 = {P = 0.5}',
            4,
            "M566 P is 0.5, but must be",
        ),
        (
            'name = "x"\ndialect = "marlin"\nbed_mm = [0, 0, 0, 9]',
            3,
            "bed_mm has no area; write [x0, y0, x1, y1]",
        ),
        ('name = "x"\ndialect = "marlin"\nbed_mm = [0, 0, 9]', 3, "bed_mm must be a list of 4 numbers"),
        ('name = "x"\ndialect = "marlin"\n[park]\nx_mm = 5', 3, "[park] has no y_mm; add it"),
        (
            'name = "x"\ndialect = "marlin"\n[hot_end]\nnozle_mm = 1',
            4,
            "'nozle_mm' is no key of [hot_end]; did you mean",
        ),
        (
            'name = "x"\ndialect = "marlin"\nhot_end = 5',
            3,
            "hot_end is a whole number; write a table, [hot_end]",
        ),
        ('name = "x"\ndialect = "marlin"\nheight_mm = 0', 3, "height_mm is 0, but must be more than 0"),
    ],
)
def test_a_printer_file_that_lies_is_refused_at_its_line(own_folder, text, line, message):
    with pytest.raises(ProfileError) as caught:
        load_printer(own_folder, text)
    assert str(caught.value).startswith(f"{own_folder / 'x.toml'}:{line}: {message}")


@pytest.mark.parametrize(
    ("loader", "text", "message"),
    [
        (profiles.dryer, 'air = "desiccant"', "1: the file has no dew_point_C; add it"),
        (profiles.dryer, "dew_point_C = -20", "1: dew_point_C has no meaning for room air"),
        (profiles.spool_body, 'note = "x"', "1: the file has no safe_C; add it"),
        (
            profiles.desiccant,
            'note = "x"',
            "1: the file has neither capacity_at_rh nor equilibrium_rh_pct; add one",
        ),
        (profiles.desiccant, "capacity_at_rh = [[1]]", "1: capacity_at_rh must be a list of pairs"),
        (
            profiles.desiccant,
            "capacity_at_rh = [[10, 1], [5, 2]]",
            "1: capacity_at_rh does not rise at 5 % RH",
        ),
        (
            profiles.desiccant,
            "capacity_at_rh = [[10, nan]]",
            "1: capacity_at_rh holds a number outside 0 to 100",
        ),
    ],
)
def test_other_files_that_lie_are_refused(own_folder, loader, text, message):
    own_folder.mkdir()
    path = own_folder / "x.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        loader(path)
    assert str(caught.value).startswith(f"{path}:{message}")


def test_contents_are_finite_everywhere():
    for key in profiles.names("materials"):
        for value in dataclasses.astuple(profiles.material(key)):
            assert not isinstance(value, float) or math.isfinite(value)


# ---------------------------------------------------------------- profiles check


def test_checking_finds_nothing_wrong_with_what_is_shipped():
    assert [each for each in check_profiles() if each.fault] == []


def test_checking_names_each_file_that_cannot_be_read(tmp_path, monkeypatch, capsys):
    own = tmp_path / "own"
    monkeypatch.setenv(profiles.USER_FOLDER, str(own))
    (own / "printers").mkdir(parents=True)
    shipped = profiles.find("bench-1").read_text()
    (own / "printers" / "one.toml").write_text(shipped)
    (own / "printers" / "two.toml").write_text(shipped)
    (own / "printers" / "three.toml").write_text("dialect = 'marlin'\nname = 'three'\nmax_acel = 3\n")
    assert outcome(["profiles", "check"]) == 1
    said = capsys.readouterr()
    assert "three.toml:3: 'max_acel' is no key of the file" in said.out
    assert "two.toml: one.toml answers to 'bench-1' too; rename one" in said.out
    assert "(2 things in all)" in said.err
    assert outcome(["profiles", "check", str(own / "printers" / "one.toml")]) == 0
    assert capsys.readouterr().out == "printers 1: all can be read\n"
    copy = tmp_path / "petg.toml"
    copy.write_text(profiles.find("PETG").read_text())
    assert [each.kind for each in check_profiles([copy])] == ["materials"]


def test_checking_looks_at_every_kind_of_profile(tmp_path, monkeypatch):
    monkeypatch.setenv(profiles.USER_FOLDER, str(tmp_path))
    shipped = profiles.find("sodium_chloride").parent.parent
    text = (shipped / "humidity" / "sodium-chloride.toml").read_text()
    (tmp_path / "humidity").mkdir()
    bad = tmp_path / "humidity" / "brine.toml"
    bad.write_text(text.replace("rh_at_C", "rh_at"))
    assert [each.path for each in check_profiles() if each.fault] == [bad]
    kinds = {path.parent.name for path in shipped.glob("*/*.toml")}
    assert {each.kind for each in check_profiles()} == kinds - {"settings"}
    salt = tmp_path / "salt.toml"
    salt.write_text(text)
    assert [(each.kind, each.fault) for each in check_profiles([salt])] == [("humidity", None)]


def test_a_material_that_is_not_shipped_has_a_way_out() -> None:
    with pytest.raises(
        ProfileError,
        match=r"TPU_95A; name a material file of your own for another \('gcodetool docs records'",
    ):
        profiles.material("wood")


def test_a_profile_that_changed_is_read_anew(tmp_path) -> None:
    path = tmp_path / "reel.toml"
    shipped = profiles.path_of("spool-bodies", profiles.names("spool-bodies")[0]).read_text(encoding="utf-8")
    path.write_text(shipped, encoding="utf-8")
    first = profiles.spool_body(path)
    assert profiles.spool_body(path) is first  # a shelf of hundreds of reels names a few
    stated = f"safe_C = {first.safe_C:g}"
    assert stated in shipped
    path.write_text(
        shipped.replace(stated, stated[:-1] + ("1" if stated[-1] != "1" else "2")), encoding="utf-8"
    )
    os.utime(path, ns=(0, path.stat().st_mtime_ns + 1))  # two writes may fall into one tick of the clock
    assert profiles.spool_body(path).safe_C != first.safe_C
    path.unlink()
    with pytest.raises(ProfileError):
        profiles.spool_body(path)
