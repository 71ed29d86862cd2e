"""Containers: what they hold is read, what is written back differs in the plate alone, damage is one line."""

import contextlib
import gzip
import hashlib
import io
import json
import lzma
import pathlib
import random
import re
import struct
import tempfile
import tracemalloc
import zipfile
import zlib

import binary_twin as twin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.block.annotate import target_of
from gcodetool.cli.main import outcome
from gcodetool.errors import GcodeError
from gcodetool.gcode import containers, edits, output_form, source

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"
ZIP = SAMPLES / "x02-drip-manifold-zip-container.gcode.3mf"
PLATE = "Metadata/plate_1.gcode"
AT = ["--at", "2026-11-25T09:00:00+01:00"]
JOB = (
    b"; drip ring\n; all by hand\nM140 S60\nM104 S205\nG28\nM190 S60\nM109 S205\nG21\nG90\nM83\n"
    + b"".join(
        b";LAYER:%d\nG0 Z%.1f F600\n" % (layer, 0.2 + 0.2 * layer)
        + b"".join(b"G1 X%d Y%d E0.9 F1800\n" % (40 + 30 * (k % 2), 40 + 15 * k) for k in range(8))
        for layer in range(4)
    )
    + b"M104 S0\nM84\n"
)


class Pipe(io.RawIOBase):
    """A stream that cannot go back: zipfile then writes sizes behind the data."""

    def __init__(self):
        self.data = bytearray()

    def writable(self):
        return True

    def write(self, data):
        self.data += data
        return len(data)


def pack(members, *, comment=b"", method=zipfile.ZIP_DEFLATED, behind=False, wide=False):
    """Return a zip file of (name, content) made by Python's own writer, an independent one."""
    out = Pipe() if behind else io.BytesIO()
    before = zipfile.ZIP64_LIMIT
    try:
        if wide == "all":
            zipfile.ZIP64_LIMIT = 10  # every number over 10 goes into the 64-bit fields
        with zipfile.ZipFile(out, "w", method) as made:
            made.comment = comment
            for k, (name, content) in enumerate(members):
                info = zipfile.ZipInfo(name, (2026, 5, 4, 10, 20, 2 * (k % 30)))
                info.compress_type = method
                info.external_attr = (0o644 + k % 8) << 16
                info.comment = b"part %d" % k
                if k % 2:  # the name once more in UTF-8, as some packers add it
                    same = name.encode()
                    info.extra = struct.pack("<2HBL", 0x7075, 5 + len(same), 1, zlib.crc32(same)) + same
                with made.open(info, "w", force_zip64=bool(wide)) as into:
                    into.write(content)
    finally:
        zipfile.ZIP64_LIMIT = before
    return bytes(out.data) if behind else out.getvalue()


def simple(text=JOB, **options):
    """Return a container as slicers export it."""
    digits = hashlib.md5(text).hexdigest().upper().encode()
    return pack(
        [
            ("[Content_Types].xml", b"<Types/>"),
            (PLATE, text),
            (PLATE + ".md5", digits),
            ("Metadata/plate_1.png", bytes(range(256))),
        ],
        **options,
    )


def call(capsys, *words):
    """Return exit code, stdout and stderr of one call."""
    code = outcome([str(word) for word in words])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert "a fault in gcodetool itself" not in err
    return code, out, err


def prepare(capsys, job, *words):
    """Prepare a job that has no spool, with a block."""
    code, _, err = call(capsys, "prepare", job, *words, "--block", "always", *AT)
    assert code == 0, err


def stripped(text):
    return b"".join(edits.strip_regions([text]))


def spans(data):
    """Return the raw bytes of each member, headers included, by name; those of two names do not overlap."""
    with zipfile.ZipFile(io.BytesIO(data)) as made:
        infos = sorted(made.infolist(), key=lambda each: each.header_offset)
        stops = [*(each.header_offset for each in infos[1:]), made.start_dir]
    return {each.filename: data[each.header_offset : stop] for each, stop in zip(infos, stops, strict=True)}


def facts(data):
    """Return all that the directory says about each member, but its place."""
    with zipfile.ZipFile(io.BytesIO(data)) as made:
        assert made.testzip() is None
        rows = [
            (
                each.filename,
                each.date_time,
                each.compress_type,
                each.comment,
                each.create_system,
                each.create_version,
                each.internal_attr,
                each.external_attr,
            )
            for each in made.infolist()
        ]
        return rows, made.comment


def member(data, name=PLATE):
    with zipfile.ZipFile(io.BytesIO(data)) as made:
        return made.read(name)


# ---------------------------------------------------------------- laws of the zip container

names = st.text("abcdefgh_-äß0123", min_size=1, max_size=12).map(lambda word: f"Metadata/x{word}.part")
others = st.lists(st.tuples(names, st.binary(max_size=300)), max_size=5, unique_by=lambda each: each[0])
texts = st.lists(st.binary(max_size=60), max_size=40).map(
    lambda lines: b"; job\n" + b"\n".join(line.replace(b"\0", b"") for line in lines)
)
endings = st.sampled_from([b"", b"\n", b"\r\n", b"  plate_1.gcode\n"])


@settings(max_examples=60)
@given(
    others=others,
    text=texts,
    new=texts,
    place=st.integers(0, 5),
    sum_first=st.booleans(),
    with_sum=st.booleans(),
    lower=st.booleans(),
    ending=endings,
    comment=st.binary(max_size=40),
    method=st.sampled_from([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED]),
    behind=st.booleans(),
    wide=st.sampled_from([False, True, "all"]),
)
def test_a_new_plate_changes_the_plate_and_its_sum_alone(
    others, text, new, place, sum_first, with_sum, lower, ending, comment, method, behind, wide
):
    digits = hashlib.md5(text).hexdigest()
    pair = [(PLATE, text)]
    if with_sum:
        pair.insert(
            0 if sum_first else 1, (PLATE + ".md5", (digits if lower else digits.upper()).encode() + ending)
        )
    members = [*others[:place], *pair, *others[place:]]
    data = pack(members, comment=comment, method=method, behind=behind, wide=wide)
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder, "job")
        path.write_bytes(data)
        opened = source.sniff(path)
        assert opened.kind == "zip"
        assert b"".join(opened.blocks(64)) == text
        assert opened.sha256() == hashlib.sha256(data).hexdigest()
        assert opened.size == len(data)
        result = b"".join(opened.packed(lambda _: [new[:7], new[7:]], "zip"))
        assert path.read_bytes() == data
        path.write_bytes(result)
        again = source.sniff(path)
        assert b"".join(again.blocks()) == new
        assert b"".join(again.packed(lambda _: [new], "zip")) == result  # twice = once
        # back to the old text: only how the two were packed may differ now
        back = b"".join(again.packed(lambda _: [text], "zip"))
    assert member(result) == new
    before, after = spans(data), spans(result)
    assert list(before) == list(after)
    assert {name: raw for name, raw in before.items() if not name.startswith(PLATE)} == {
        name: raw for name, raw in after.items() if not name.startswith(PLATE)
    }
    assert facts(data) == facts(result) == facts(back)
    if with_sum:
        found = member(result, PLATE + ".md5")
        digits = hashlib.md5(new).hexdigest()
        has_case = hashlib.md5(text).hexdigest().upper() != hashlib.md5(text).hexdigest()
        assert found == (digits if lower and has_case else digits.upper()).encode() + ending
        assert member(back, PLATE + ".md5") == dict(members)[PLATE + ".md5"]
    assert all(member(back, name) == content for name, content in members)


def test_a_plate_is_read_and_written_in_bounded_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(containers, "IN_MEMORY", 1 << 20)
    numbers = random.Random(7)
    lines = b"".join(
        b"G1 X%.3f Y%.3f E.0%d\n" % (numbers.random(), numbers.random(), k) for k in range(20_000)
    )
    path = tmp_path / "large.gcode.3mf"
    path.write_bytes(simple(b"; job\n" + lines * 40))
    size = 6 + len(lines) * 40
    opened = source.sniff(path)
    tracemalloc.start()
    try:
        out = sum(len(piece) for piece in opened.packed(iter, "zip"))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert out == pytest.approx(path.stat().st_size, rel=0.05)
    assert size > 20e6
    assert peak < 7e6


# ---------------------------------------------------------------- stories: zip


def test_the_sample_is_prepared_in_place_and_twice_is_once(capsys, tmp_path):
    job = tmp_path / "manifold.gcode.3mf"
    job.write_bytes(ZIP.read_bytes())
    prepare(capsys, job, "--in-place")
    once = job.read_bytes()
    plate = member(once)
    assert plate.count(b"; gcodetool:begin purge-and-inspect\n") == 1
    assert stripped(plate) == member(ZIP.read_bytes())
    assert member(once, PLATE + ".md5") == hashlib.md5(plate).hexdigest().upper().encode()
    before, after = spans(ZIP.read_bytes()), spans(once)
    assert before.keys() == after.keys()
    for name in ("[Content_Types].xml", "Metadata/slice_info.config"):
        assert before[name] == after[name]
    assert facts(once) == facts(ZIP.read_bytes())
    prepare(capsys, job, "--in-place")
    assert job.read_bytes() == once
    # the plate's text is what a plain file of it becomes
    plain = tmp_path / "plain.gcode"
    plain.write_bytes(member(ZIP.read_bytes()))
    prepare(capsys, plain, "--in-place")
    assert plain.read_bytes() == plate


def test_a_report_speaks_of_the_file_on_disk(capsys):
    _, out, _ = call(capsys, "check", ZIP, "--json", *AT)
    job = json.loads(out)["job"]
    assert job["sha256"] == hashlib.sha256(ZIP.read_bytes()).hexdigest()
    assert job["bytes"] == ZIP.stat().st_size
    assert job["lines"] == member(ZIP.read_bytes()).count(b"\n")


def test_where_a_container_goes_when_it_is_not_in_place(capsys, tmp_path):
    job = tmp_path / "ring.gcode.3mf"
    job.write_bytes(simple())
    prepare(capsys, job)
    made = (tmp_path / "ring.prepared.gcode.3mf").read_bytes()
    assert stripped(member(made)) == JOB
    prepare(capsys, job, "-o", tmp_path / "plate.gcode")
    assert (tmp_path / "plate.gcode").read_bytes() == member(made)
    prepare(capsys, job, "-o", tmp_path / "plate.gcode.xz")
    assert lzma.decompress((tmp_path / "plate.gcode.xz").read_bytes()) == member(made)
    prepare(capsys, job, "-o", tmp_path / "other.3mf")
    assert (tmp_path / "other.3mf").read_bytes() == made
    assert job.read_bytes() == simple()


def test_a_container_under_any_name_stays_one(capsys, tmp_path):
    job = tmp_path / "upload-0042"
    job.write_bytes(simple(behind=True, comment=b"bench-1"))
    prepare(capsys, job, "--in-place")
    assert stripped(member(job.read_bytes())) == JOB
    assert facts(job.read_bytes())[1] == b"bench-1"
    prepare(capsys, job)
    assert (tmp_path / "upload-0042.prepared.gcode.3mf").read_bytes() == job.read_bytes()


def test_no_container_is_made_of_a_plain_job(capsys, tmp_path):
    job = tmp_path / "ring.gcode"
    job.write_bytes(JOB)
    code, _, err = call(capsys, "prepare", job, "-o", tmp_path / "ring.gcode.3mf", *AT)
    assert code == 1
    assert "ring.gcode is no zip container, and none is made of it; name a .gcode file with -o" in err
    assert [each.name for each in tmp_path.iterdir()] == ["ring.gcode"]


def entry(data):
    """Return where the directory speaks of the plate."""
    return data.index(PLATE.encode(), data.index(b"PK\1\2")) - 46


def with_flag(data, bit):
    """Set a flag of the plate in both its headers."""
    made = bytearray(data)
    made[entry(data) + 8] |= bit
    made[data.index(PLATE.encode()) - 30 + 6] |= bit
    return bytes(made)


def claiming(data, size):
    """Let the directory claim another unpacked size of the plate."""
    at = entry(data)
    return data[: at + 24] + struct.pack("<L", size) + data[at + 28 :]


def flipped(data, name):
    """Change one bit in the middle of a member's packed bytes."""
    raw = spans(data)[name]
    at = data.index(raw) + 30 + len(name) + (len(raw) - 30 - len(name)) // 2
    return data[:at] + bytes([data[at] ^ 16]) + data[at + 1 :]


def also_named(data, name, other):
    """Let the directory say in UTF-8 that a member is called otherwise; both names are as long."""
    words = name.encode()
    at = data.rindex(struct.pack("<L", zlib.crc32(words)) + words) + 4
    return data[:at] + other + data[at + len(words) :]


PLATES = [(f"Metadata/plate_{k}.gcode", JOB) for k in (1, 10, 2)]
BAD_ZIPS = {
    "plates": (
        pack(PLATES),
        r"of 3 plates \(plate_1.gcode, plate_2.gcode, plate_10.gcode\).*export the plate to print",
    ),
    "no plate": (pack([("Metadata/model.config", b"x"), ("job.gcode", JOB)]), r"without a sliced plate"),
    "deeper": (pack([("a/Metadata/plate_1.gcode", JOB)]), r"without a sliced plate"),
    "no members": (pack([]), r"is an empty zip container"),
    "empty plate": (simple(b""), r"holds no text once unpacked"),
    "binary plate": (simple(b"GCDE\1\0\0\0\1\0"), r"is binary G-code"),
    "zip in zip": (simple(simple()), r"is a zip container, not plain"),
    "NULs": (simple(b"G28\n\0\0"), r"is a binary file"),
    "climbing": (pack([(PLATE, JOB), ("../../etc/job", b"x")]), r"leads out of its folder, '../../etc/job'"),
    "absolute": (pack([(PLATE, JOB), ("/etc/job", b"x")]), r"leads out of its folder"),
    "drive": (pack([(PLATE, JOB), ("C:job", b"x")]), r"leads out of its folder"),
    "backward": (pack([(PLATE, JOB), ("a\\..\\..\\job", b"x")]), r"leads out of its folder"),
    "encrypted": (with_flag(simple(), 1), r"plate_1.gcode in it is encrypted; export it without a password"),
    "bzip2": (simple(method=zipfile.ZIP_BZIP2), r"packed by method 12"),
    "absurd": (claiming(simple(), 0xFFFFFFFE), r"claims 4294967294 bytes.*no sliced plate is like that"),
    "bomb": (simple(b"G1 X1\n" * (12 << 20)), r"claims 75497472 bytes"),
    "longer": (claiming(simple(), len(JOB) - 1), r"plate_1.gcode is longer than it says"),
    "shorter": (claiming(simple(), len(JOB) + 1), r"the check sum of .* does not fit"),
    "changed": (flipped(simple(), PLATE), r"cannot be unpacked|does not fit|longer than"),
    "changed, stored": (
        flipped(simple(method=zipfile.ZIP_STORED), PLATE),
        r"the check sum of .* does not fit",
    ),
    "cut off": (simple()[:-1], r"is damaged or cut off: its end is missing"),
    "half": (simple()[:400], r"is damaged or cut off"),
    "tail missing": (simple() + b"more", r"is damaged or cut off: its end is missing"),
    "in three parts": (
        simple(wide="all").replace(*(b"%s\0\0\0PK\5\6" % n for n in (b"\1", b"\3"))),
        r"is one part of a zip container in several",
    ),
    "two names": (
        also_named(simple(), PLATE, b"Metadata/plate_2.gcode"),
        r"its list of members cannot be read",
    ),
    "a plate to some": (
        also_named(
            pack([(PLATE, JOB), ("Metadata/plate.2.gcode", JOB)]), "Metadata/plate.2.gcode", PLATE.encode()
        ),
        r"its list of members cannot be read",
    ),
    "climbing for some": (
        also_named(pack([(PLATE, JOB), ("a/b/c.png", b"x")]), "a/b/c.png", b"../../d.x"),
        r"its list of members cannot be read",
    ),
    "a name that is no text": (
        also_named(simple(), PLATE, b"\xff" * len(PLATE)),
        r"its list of members cannot be read",
    ),
    "middle missing": (simple()[:300] + simple()[310:], r"is damaged or cut off"),
}


@pytest.mark.parametrize("case", BAD_ZIPS)
@pytest.mark.parametrize("command", [["check"], ["prepare", "--in-place"]], ids=lambda each: each[0])
def test_a_container_that_cannot_be_used_is_one_line(capsys, tmp_path, case, command):
    content, says = BAD_ZIPS[case]
    job = tmp_path / "job.gcode.3mf"
    job.write_bytes(content)
    code, out, err = call(capsys, *command, job, *AT)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    assert err.startswith(f"gcodetool: {job}: ")
    assert re.search(says, err)
    assert job.read_bytes() == content
    assert [each.name for each in tmp_path.iterdir()] == [job.name]


@pytest.mark.parametrize(
    ("members", "says"),
    [
        ([(PLATE, JOB), (PLATE + ".md5", b"none")], "plate_1.gcode.md5 holds no MD5 sum"),
        ([(PLATE, JOB), (PLATE + ".md5", b"0" * 33)], "plate_1.gcode.md5 holds no MD5 sum"),
        ([(PLATE, JOB), (PLATE + ".md5", b"0" * 5000)], "plate_1.gcode.md5 is too long for a sum"),
    ],
)
def test_a_sum_that_is_none_stops_the_writing_only(capsys, tmp_path, members, says):
    job = tmp_path / "job.gcode.3mf"
    content = pack(members)
    job.write_bytes(content)
    assert call(capsys, "check", job, *AT)[0] == 30
    code, _, err = call(capsys, "prepare", "--in-place", job, *AT)
    assert code == 1
    assert says in err.splitlines()[-1]
    assert job.read_bytes() == content
    assert [each.name for each in tmp_path.iterdir()] == [job.name]


def test_two_members_of_one_name_are_refused(tmp_path):
    path = tmp_path / "job"
    with pytest.warns(UserWarning, match="Duplicate name"):
        path.write_bytes(pack([(PLATE, JOB), (PLATE, JOB)]))
    with pytest.raises(GcodeError, match="of 2 plates"):
        source.sniff(path)
    with pytest.warns(UserWarning, match="Duplicate name"):
        path.write_bytes(pack([(PLATE, JOB), (PLATE + ".md5", b"0" * 32), (PLATE + ".md5", b"0" * 32)]))
    with pytest.raises(GcodeError, match="is in it twice"):
        list(source.sniff(path).packed(lambda _: [JOB], "zip"))


def test_a_container_that_changes_between_reading_and_writing(tmp_path):
    path = tmp_path / "job"
    path.write_bytes(simple())
    opened = source.sniff(path)
    path.write_bytes(simple()[:500])
    with pytest.raises(GcodeError, match="damaged or cut off"):
        edits.write_atomic(path, opened.packed(lambda _: [JOB], "zip"))
    assert path.read_bytes() == simple()[:500]
    assert [each.name for each in tmp_path.iterdir()] == ["job"]


def test_a_container_too_large_for_its_form_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "job"
    path.write_bytes(simple())
    opened = source.sniff(path)
    monkeypatch.setattr(containers, "MOST_UNPACKED", len(JOB))
    with pytest.raises(GcodeError, match="gets larger than"):
        list(opened.packed(lambda _: [JOB, b"x"], "zip"))


# ---------------------------------------------------------------- gzip and xz

PACKERS = {"gzip": (gzip.compress, gzip.decompress), "xz": (lzma.compress, lzma.decompress)}


@given(st.lists(st.binary(max_size=200), max_size=20), st.sampled_from(sorted(PACKERS)))
def test_packed_text_unpacks_to_itself_and_never_differs(pieces, form):
    data = b"".join(output_form.packed(iter(pieces), form))
    assert PACKERS[form][1](data) == b"".join(pieces)
    assert data == b"".join(output_form.packed([b"".join(pieces)], form))
    assert b"".join(output_form.packed(pieces, "")) == b"".join(pieces)


def test_a_job_that_goes_by_two_names_keeps_its_form(tmp_path):
    job, other = tmp_path / "clips.gcode", tmp_path / "same.gcode"
    job.write_bytes(b"packed")
    other.hardlink_to(job)
    assert output_form.form_of("gzip", job, other) == "gzip"  # replaced by itself
    assert output_form.form_of("gzip", job, tmp_path / "new.gcode") == ""
    assert output_form.form_of("gzip", job, job) == "gzip"


@pytest.mark.parametrize("name", ["ring.gcode", "ring.gcode.gz", "ring.gcode.xz", "ring"])
@pytest.mark.parametrize("form", ["gzip", "xz"])
def test_in_place_a_packed_job_stays_packed_whatever_its_name(capsys, tmp_path, form, name):
    compress, decompress = PACKERS[form]
    job = tmp_path / name
    job.write_bytes(compress(JOB))
    prepare(capsys, job, "--in-place")
    once = job.read_bytes()
    text = decompress(once)
    assert text != JOB
    assert stripped(text) == JOB
    prepare(capsys, job, "--in-place")
    assert job.read_bytes() == once
    _, out, _ = call(capsys, "check", job, "--json", *AT)
    assert json.loads(out)["job"]["sha256"] == hashlib.sha256(once).hexdigest()
    assert json.loads(out)["job"]["bytes"] == len(once)
    prepare(capsys, job)  # elsewhere: plain text
    assert (tmp_path / "ring.prepared.gcode").read_bytes() == text


def test_a_plain_job_with_a_packed_name_stays_plain_in_place(capsys, tmp_path):
    job = tmp_path / "ring.gcode.gz"
    job.write_bytes(JOB)
    prepare(capsys, job, "-o", job)  # the same file, said otherwise
    assert stripped(job.read_bytes()) == JOB


def test_the_name_of_another_target_says_its_form(capsys, tmp_path):
    job = tmp_path / "ring.gcode"
    job.write_bytes(JOB)
    prepare(capsys, job, "-o", tmp_path / "a.gcode")
    text = (tmp_path / "a.gcode").read_bytes()
    prepare(capsys, job, "-o", tmp_path / "b.gcode.GZ")
    assert gzip.decompress((tmp_path / "b.gcode.GZ").read_bytes()) == text
    prepare(capsys, job, "-o", tmp_path / "c.xz")
    assert lzma.decompress((tmp_path / "c.xz").read_bytes()) == text
    prepare(capsys, tmp_path / "c.xz", "-o", tmp_path / "d.gz")
    assert gzip.decompress((tmp_path / "d.gz").read_bytes()) == text


def test_where_results_go():
    folder = pathlib.Path("parts")
    for name, kind, says in [
        ("clip.gcode", "", "clip.prepared.gcode"),
        ("clip.gcode.gz", "gzip", "clip.prepared.gcode"),
        ("clip.GCODE.XZ", "xz", "clip.prepared.gcode"),
        ("clip", "gzip", "clip.prepared.gcode"),
        ("clip.gcode.3mf", "zip", "clip.prepared.gcode.3mf"),
        ("clip.gcode.3mf", "", "clip.prepared.gcode"),
        ("clip.gcode", "zip", "clip.prepared.gcode.3mf"),
        (".gcode", "", ".gcode.prepared.gcode"),
        ("clip.bgcode", "binary", "clip.prepared.bgcode"),
        ("clip.gcode", "binary", "clip.prepared.bgcode"),
        ("clip.bgcode", "", "clip.prepared.gcode"),
        ("v1.3.gco", "", "v1.3.gco.prepared.gcode"),
    ]:
        assert target_of(folder / name, kind) == folder / says


# ---------------------------------------------------------------- random damage

SOUND = {
    "zip": simple(comment=b"bench-1"),
    "zip, sizes behind": simple(behind=True),
    "zip, 64 bits": simple(wide="all"),
    "gzip": gzip.compress(JOB, mtime=0),
    "xz": lzma.compress(JOB),
    "binary": twin.written(JOB, twin.DEFLATE, twin.PLAIN, size=200)[0],
    "binary, shrunk": twin.written(JOB, twin.SHRINK_12, twin.PACKED_COMMENTS, size=200)[0],
}


@st.composite
def damaged(draw):
    """Return a container with some bytes changed, taken out or put in, or cut off."""
    data = bytearray(SOUND[draw(st.sampled_from(sorted(SOUND)))])
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(data) - 1))
        if draw(st.booleans()):  # the structure stands at both ends, and is short
            at = draw(st.integers(max(0, len(data) - 400), len(data) - 1))
        how = draw(st.sampled_from(["change", "flip", "cut", "remove", "insert"]))
        if how == "change":
            data[at : at + 4] = draw(st.binary(min_size=1, max_size=8))
        elif how == "flip":
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif how == "cut":
            del data[max(4, at) :]
        elif how == "remove":
            del data[at : at + draw(st.integers(1, 30))]
        else:
            data[at:at] = draw(st.binary(min_size=1, max_size=30))
        if not data:
            data = bytearray(b"\x1f\x8b")
    return bytes(data)


@settings(max_examples=150)
@given(damaged())
def test_damage_is_one_line_or_does_no_harm(content):
    """Whatever is broken: an error of one line and an untouched file, or the whole text as it was."""
    with tempfile.TemporaryDirectory() as folder:
        job = pathlib.Path(folder, "job")
        job.write_bytes(content)
        err = io.StringIO()
        with contextlib.redirect_stderr(err), contextlib.redirect_stdout(io.StringIO()):
            code = outcome(["prepare", "--in-place", str(job), "--block", "never", *AT])
        assert [each.name for each in pathlib.Path(folder).iterdir()] == ["job"]
        after = job.read_bytes()
        assert "fault in gcodetool" not in err.getvalue()
        if code:
            assert code == 1
            assert len(err.getvalue().splitlines()) == 1
            assert after == content
        else:
            opened = source.sniff(job)
            assert b"".join(edits.strip_regions(opened.blocks())) == JOB
            if opened.kind == "zip":  # a second opinion
                assert stripped(member(after)) == JOB
