"""Binary G-code: it reads as its text does; written, every block that no edit touches is there as it was."""

import contextlib
import io
import itertools
import json
import lzma
import pathlib
import random
import re
import threading
import tracemalloc
import zlib

import binary_twin as twin
import heatshrink2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import interpreted

from gcodetool.cli.main import outcome
from gcodetool.errors import GcodeError
from gcodetool.gcode import binary, binarycodes, edits, program, source
from gcodetool.gcode.markers import Family

FOLDER = pathlib.Path(__file__).parent / "data" / "gcode"
SAMPLES = sorted(FOLDER.glob("[abc]*.gcode.xz"))
REAL = FOLDER / "x01-spacer-rings-binary-container.bgcode"
AT = ["--at", "2026-11-25T09:00:00+01:00"]
WAYS = [(compression, encoding) for compression in range(4) for encoding in range(3)]
WORDS = [("Producer", "SLICER 2.9.0"), ("Produced on", "2026-11-25 at 08:00:00 UTC")]
TEXT = (
    b"M140 S60\nM104 S205\nG28\nM190 S60\nM109 S205\nG21\nG90\nM83\n"
    + b"".join(
        b";LAYER_CHANGE\n;TYPE:Perimeter\nG1 Z%.1f F600\n" % (0.2 + 0.2 * layer)
        + b"".join(b"G1 X%d Y%d E0.9 F1800\n" % (40 + 30 * (k % 2), 40 + 15 * k) for k in range(8))
        for layer in range(4)
    )
    + b"M104 S0\nM84\n"
)
METADATA = [
    twin.block(twin.FILE, twin.words(WORDS)),
    twin.block(twin.PRINTER, b"printer_model=bench-1\nfilament_type=PETG\n"),
    twin.block(twin.PRINT, b"filament used [mm]=28.80\nestimated printing time (normal mode)=1m 4s\n"),
    twin.block(
        twin.SLICER, b"filament_type=PLA\nfilament_diameter=1.75\nnozzle_diameter=0.4\n", twin.DEFLATE
    ),
]


def job_of(*blocks, summed=True):
    return twin.start(summed=summed) + b"".join(blocks)


SIMPLE = job_of(*METADATA, *twin.code_blocks(twin.cut(TEXT, 300), twin.SHRINK_12, twin.PACKED_COMMENTS))


def call(*words):
    """Return exit code, stdout and stderr of one call."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = outcome([str(word) for word in words])
    assert "a fault in gcodetool" not in err.getvalue()
    return code, out.getvalue(), err.getvalue()


def text_of(path):
    return b"".join(source.sniff(path).blocks())


def said(path, around=(0, 0)):
    """Return what ``check`` says of a job, but for the file's own name, bytes and sum; lines of the code alone."""
    code, out, err = call("check", path, "--json", *AT)
    assert code in (0, 10, 20, 21, 30), err
    found = json.loads(out)
    for key in ("path", "bytes", "sha256"):
        del found["job"][key]
    found["job"]["lines"] -= sum(around)
    shifted = re.sub(
        r'(\bline(?:":)? )(\d+)',
        lambda line: f"{line[1]}{max(1, int(line[2]) - around[0])}",
        json.dumps(found),
    )
    return code, json.loads(shifted)


def sample(name):
    return lzma.decompress(next(FOLDER.glob(f"{name}-*.gcode.xz")).read_bytes())


def shortened(path):
    """Return beginning and end of a sample, about 2000 lines."""
    lines = lzma.decompress(path.read_bytes()).splitlines(keepends=True)
    return b"".join(lines[:1300] + lines[-700:])


def assert_spliced(before, after, code):
    """Assert that *after* is *before* with regions inserted; what no edit touches is there as it was."""
    old, new = twin.read(before, code=False), twin.read(after, code=False)
    raws = [each.raw for each in old]
    assert [each.raw for each in new if each.kind != twin.CODE] == [
        each.raw for each in old if each.kind != twin.CODE
    ]
    kept = [raw for raw in raws if raw in {each.raw for each in new}]
    written = [each for each in new if each.raw not in set(raws)]
    assert len(raws) - len(kept) <= 2  # the header's place and the block's
    assert [each.raw for each in new if each.raw in set(raws)] == kept
    assert all(each.compression in (twin.NONE, twin.DEFLATE) for each in written)
    assert {each.encoding for each in written} == {twin.PLAIN}
    assert all(len(each.data) < 1 << 16 for each in written)
    parts = {}  # unpacking what was copied again would only take long
    texts = iter(twin.cut(code, 6000))
    for each in old:
        if each.kind == twin.CODE:
            parts[each.raw] = next(texts)
    text = b"".join(
        parts[each.raw] if each.raw in parts else unpacked_data(each)
        for each in new
        if each.kind == twin.CODE
    )
    assert b"; gcodetool:begin header" in text
    assert b"".join(edits.strip_regions([text])) == code


def unpacked_data(each):
    return zlib.decompress(each.data) if each.compression == twin.DEFLATE else each.data


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name[:3])
def test_every_sample_in_every_code_reads_as_its_text_and_keeps_its_blocks(tmp_path, path):
    text = shortened(path)
    job, plain = tmp_path / "job.bgcode", tmp_path / "job.gcode"
    known = {}
    for compression, encoding in WAYS:
        data, code = twin.written(text, compression, encoding, size=6000)
        job.write_bytes(data)
        if encoding not in known:
            same, around = twin.as_text(data, code)
            plain.write_bytes(same)
            known[encoding] = said(plain, around)
        assert said(job) == known[encoding]
        if encoding == twin.PACKED_COMMENTS or compression == twin.NONE:
            assert call("prepare", job, "--in-place", "--block", "always", *AT)[0] == 0
            once = job.read_bytes()
            assert_spliced(data, once, code)
            assert said(job) == known[encoding]
            assert call("prepare", job, "--in-place", "--block", "always", *AT)[0] == 0
            assert job.read_bytes() == once


@pytest.mark.parametrize(
    ("name", "way"), [("a01", (3, 2)), ("a08", (1, 0)), ("b03", (2, 2)), ("c01", (0, 1))], ids=str
)
def test_whole_samples_read_as_their_text(tmp_path, name, way):
    data, code = twin.written(sample(name), *way)
    job, plain = tmp_path / "job", tmp_path / "job.gcode"
    job.write_bytes(data)
    assert text_of(job) == code
    same, around = twin.as_text(data, code)
    plain.write_bytes(same)
    assert said(job) == said(plain, around)


def test_the_metadata_are_the_settings_of_the_sample(tmp_path):
    """Against the untouched text file: the split into metadata and code loses nothing that counts."""
    text = sample("a06")
    job, plain = tmp_path / "job.bgcode", tmp_path / "job.gcode"
    job.write_bytes(twin.written(text, twin.DEFLATE, twin.PLAIN)[0])
    plain.write_bytes(text)
    one, other = program.read(job), program.read(plain)
    assert one.family == other.family == Family.A
    for name in ("filament_types", "claimed_s", "filament_mm", "first_layer_C", "bed_polygon", "retract_mm"):
        assert getattr(one.facts, name) == getattr(other.facts, name) != ()
    wanted = dict(other.facts.config)
    assert {key: one.facts.config[key] for key in wanted} == wanted


# ---------------------------------------------------------------- a real file


def test_the_real_file_is_read_prepared_and_looked_through(tmp_path):
    before = REAL.read_bytes()
    job = tmp_path / "rings.bgcode"
    job.write_bytes(before)
    assert text_of(job) == twin.code_of(before)
    found = program.read(job)
    assert found.family is Family.A
    assert found.facts.filament_types == ("PLA",)
    assert found.facts.claimed_s == 13 * 60 + 54
    assert found.facts.filament_mm == (282.10,)
    assert found.facts.diameters_mm == (2.85,)
    plain, around = twin.as_text(before)
    (tmp_path / "rings.gcode").write_bytes(plain)
    assert said(job) == said(tmp_path / "rings.gcode", around)
    assert call("prepare", job, "--block", "always", *AT)[0] == 0
    after = (tmp_path / "rings.prepared.bgcode").read_bytes()
    assert job.read_bytes() == before
    text = twin.code_of(after)
    assert b"; gcodetool:begin purge-and-inspect" in text
    assert b"".join(edits.strip_regions([text])) == twin.code_of(before)
    assert {each.raw for each in twin.read(before)[5:]} < {each.raw for each in twin.read(after)}
    assert call("review", job, "-o", tmp_path / "page.html", *AT)[0] in (0, 30)
    assert call("queue", tmp_path, "--json", *AT)[0] == 30


def test_applied_tweaks_come_to_the_same_text(tmp_path):
    text = shortened(SAMPLES[0])
    data, code = twin.written(text, twin.SHRINK_12, twin.PACKED_COMMENTS, size=6000)
    plain, _ = twin.as_text(data, code)
    (tmp_path / "job.bgcode").write_bytes(data)
    (tmp_path / "job.gcode").write_bytes(plain)
    (tmp_path / "spool.toml").write_text(
        'id = "petg-1"\nmaterial = "PETG"\ndiameter_mm = 1.75\nnet_mass_g = 1000\n'
        '[place.bench]\nkind = "open"\ntemperature_C = 22\nrh_pct = 55\n'
        '[[event]]\nat = 2026-11-20T08:00:00Z\nkind = "received"\nplace = "bench"\nwater_wt_pct = 0.25\n'
    )
    for name in ("job.gcode", "job.bgcode"):
        code_, _, err = call(
            "prepare", tmp_path / name, "--in-place", "--apply", "temperature,retraction",
            "--spool", tmp_path / "spool.toml", "--printer", "bench-2", *AT,
        )  # fmt: skip
        assert code_ == 0, err
    changed = b"".join(edits.strip_regions([twin.code_of((tmp_path / "job.bgcode").read_bytes())]))
    assert changed != code
    assert changed in b"".join(edits.strip_regions([(tmp_path / "job.gcode").read_bytes()]))


# ---------------------------------------------------------------- where results go


def test_another_target_has_the_form_of_its_name(tmp_path):
    job = tmp_path / "ring.bgcode"
    job.write_bytes(SIMPLE)
    assert call("prepare", job, "-o", tmp_path / "ring.gcode", *AT)[0] == 0
    text = b"".join(edits.strip_regions([(tmp_path / "ring.gcode").read_bytes()]))
    same, around = twin.as_text(SIMPLE)
    assert text == same
    assert said(tmp_path / "ring.gcode", around)[1]["time"] == said(job)[1]["time"]
    assert call("prepare", job, "-o", tmp_path / "other.bgcode", *AT)[0] == 0
    assert b"".join(edits.strip_regions([twin.code_of((tmp_path / "other.bgcode").read_bytes())])) == TEXT
    code, _, err = call("prepare", tmp_path / "ring.gcode", "-o", tmp_path / "made.bgcode", *AT)
    assert code == 1
    assert "is no binary G-code, and none is made of it" in err
    assert not (tmp_path / "made.bgcode").exists()


# ---------------------------------------------------------------- odd files


def test_blocks_in_odd_order_of_unknown_kind_and_without_sums(tmp_path):
    first, second = twin.cut(TEXT, len(TEXT) // 2)
    strange = twin.block(77, b"of a later version", twin.DEFLATE)
    picture = twin.block(twin.PICTURE, b"qoif", picture=(2, 1, 1))
    job = tmp_path / "job"
    usual = job_of(*METADATA, *twin.code_blocks([first, second], twin.DEFLATE, twin.PLAIN))
    job.write_bytes(usual)
    wanted = said(job)
    blocks = twin.code_blocks([first, second], twin.DEFLATE, twin.PLAIN)
    odd = job_of(blocks[0], strange, METADATA[3], METADATA[0], blocks[1], picture, METADATA[2], METADATA[1])
    job.write_bytes(odd)
    assert said(job) == wanted
    assert call("prepare", job, "--in-place", "--block", "always", *AT)[0] == 0
    after = [each.raw for each in twin.read(job.read_bytes(), code=False)]
    assert [raw for raw in after if raw in (strange, picture, *METADATA)] == [
        strange, METADATA[3], METADATA[0], picture, METADATA[2], METADATA[1],
    ]  # fmt: skip
    assert after.index(strange) < after.index(METADATA[3]) < after.index(blocks[1]) < after.index(picture)
    bare = job_of(
        *(twin.block(each.kind, each.data, each.compression, summed=False) for each in twin.read(odd)
          if each.kind not in (77, twin.PICTURE)),
        summed=False,
    )  # fmt: skip
    job.write_bytes(bare)
    assert said(job) == wanted
    assert call("prepare", job, "--in-place", "--block", "always", *AT)[0] == 0
    assert b"".join(edits.strip_regions([twin.code_of(job.read_bytes())])) == TEXT


def test_code_alone_is_a_job_without_settings(tmp_path):
    job, plain = tmp_path / "job", tmp_path / "plain"
    job.write_bytes(job_of(*twin.code_blocks([TEXT], twin.NONE, twin.PLAIN)))
    plain.write_bytes(TEXT)
    assert said(job) == said(plain)
    assert program.read(job).family is Family.UNKNOWN


def test_settings_in_the_code_count_before_metadata(tmp_path):
    job = tmp_path / "job"
    job.write_bytes(job_of(*METADATA, *twin.code_blocks(
        [TEXT, b"; slicer_config = begin\n; filament_type = ABS\n; slicer_config = end\n"], 0, 0)))  # fmt: skip
    facts = program.read(job).facts
    assert facts.filament_types == ("ABS",)
    assert facts.diameters_mm == (1.75,)


def test_without_comments_layers_are_rises(tmp_path):
    job = tmp_path / "job"
    code = twin.spoken(TEXT, twin.PACKED)
    job.write_bytes(job_of(*METADATA, *twin.code_blocks([code], twin.SHRINK_11, twin.PACKED)))
    assert said(job)[1]["job"]["layers"] == 4
    assert program.read(job).facts.filament_types == ("PLA",)


lines = st.lists(
    st.sampled_from([b"", b"G1 X1", b"; note", b"M117 hi", b"G1 X2 E.5" * 9]), min_size=1, max_size=40
)


@given(lines, st.booleans(), st.lists(st.integers(0, 400), max_size=12), st.data())
def test_rewriting_says_the_new_text_and_leaves_other_blocks(tmp_path_factory, body, ended, cuts, data):
    """However lines and blocks are cut: decoded it is the new text, and twice comes to the same as once."""
    text = b"\n".join(body) + (b"\n" if ended else b"")
    places = sorted({0, len(text), *(cut for cut in cuts if cut < len(text))} | set(cuts[:1] and [0]))
    parts = [text[a:b] for a, b in itertools.pairwise(places)] or [text]
    hollow = data.draw(st.booleans())  # nobody writes empty blocks; they stay where they can
    if hollow:
        parts.insert(data.draw(st.integers(0, len(parts))), b"")
    compression = data.draw(st.integers(0, 3))
    blocks = twin.code_blocks(parts, compression, twin.PLAIN)
    path = tmp_path_factory.mktemp("job") / "job"
    path.write_bytes(job_of(METADATA[0], *blocks))
    starts = [0, *(found.end() for found in re.finditer(rb"\n", text))]
    chosen = sorted(data.draw(st.lists(st.sampled_from(starts), max_size=3, unique=True)))
    changes = [edits.insertion(at, "layer-note", ["; x"]) for at in chosen]
    wanted = b"".join(edits.apply([text], changes))
    if chosen and chosen[-1] == len(text) and text and not text.endswith(b"\n"):
        return
    made = b"".join(binary.rewritten(path, lambda old: edits.apply(old, changes)))
    assert twin.code_of(made) == wanted
    new = [each.raw for each in twin.read(made, code=False)]
    assert new[0] == METADATA[0]
    lost = [raw for raw in blocks if raw not in new]
    if not chosen:
        assert new[1:] == blocks
    elif not hollow and len(cuts) > 6 and all(part.endswith(b"\n") for part in parts if part):
        assert len(lost) <= len(chosen)
    path.write_bytes(made)
    if text and ended and not hollow:
        again = binary.rewritten(path, lambda old: edits.apply(edits.strip_regions(old), changes))
        assert b"".join(again) == made


def test_lines_that_run_on_in_the_next_block_leave_far_blocks_alone(tmp_path):
    parts = [TEXT[at : at + 100] for at in range(0, len(TEXT), 100)]
    blocks = twin.code_blocks(parts, twin.SHRINK_12, twin.PLAIN)
    path = tmp_path / "job"
    path.write_bytes(job_of(*METADATA, *blocks))
    assert text_of(path) == TEXT
    place = TEXT.index(b";LAYER_CHANGE", 500)
    change = [edits.insertion(place, "layer-note", ["; here"])]
    made = b"".join(binary.rewritten(path, lambda old: edits.apply(old, change)))
    assert twin.code_of(made) == b"".join(edits.apply([TEXT], change))
    assert len(set(blocks) - {each.raw for each in twin.read(made, code=False)}) <= 2


def test_large_files_take_little_memory(tmp_path):
    part = b"".join(b"G1 X%d.%d Y%d E.0%d\n" % (k % 200, k % 97, k % 190, k % 89) for k in range(3000))
    block = twin.code_blocks([part], twin.DEFLATE, twin.PLAIN)[0]
    path = tmp_path / "large.bgcode"
    path.write_bytes(job_of(*METADATA, *[block] * 400))
    opened = source.sniff(path)
    tracemalloc.start()
    try:
        assert sum(map(len, opened.blocks())) == 400 * len(part)
        assert sum(len(piece) for piece in opened.packed(iter, "binary")) == path.stat().st_size
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()


def test_damage_far_inside_is_told_and_what_is_not_asked_for_is_not_read(tmp_path):
    block = twin.code_blocks([b"G1 X1 Y2 E.3\n" * 4000], twin.DEFLATE, twin.PLAIN)[0]
    data = bytearray(job_of(*METADATA, *[block] * 200))
    at = len(data) - 100 * len(block) + 40
    data[at] ^= 1
    path = tmp_path / "job"
    path.write_bytes(data)
    opened = source.sniff(path)  # ends alone
    with pytest.raises(GcodeError, match="does not fit its check sum"):
        sum(map(len, opened.blocks()))
    blocks = opened.blocks()
    assert next(blocks).startswith(b"G1 X1")
    blocks.close()
    assert [each.name for each in threading.enumerate() if each.name == "ahead"] == []


# ---------------------------------------------------------------- damage


def refused(path, content):
    """Return the one line that refuses a file; the file is as it was, and nothing stands beside it."""
    path.write_bytes(content)
    code, out, err = call("prepare", path, "--in-place", *AT)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    assert path.read_bytes() == content
    assert [each.name for each in path.parent.iterdir()] == [path.name]
    return err


def test_every_cut_is_refused(tmp_path):
    for length in range(1, len(SIMPLE), 7):
        blocks_end = [10]
        for each in twin.read(SIMPLE, code=False):
            blocks_end.append(blocks_end[-1] + len(each.raw))
        if length in blocks_end:  # a whole file, only shorter: no format says how many blocks there are
            continue
        refused(tmp_path / "job", SIMPLE[:length])


def test_every_flipped_bit_is_refused(tmp_path):
    dice = random.Random(7)
    for at in range(len(SIMPLE)):
        damaged = bytearray(SIMPLE)
        damaged[at] ^= 1 << dice.randrange(8)
        path = tmp_path / "job"
        path.write_bytes(damaged)
        with pytest.raises(GcodeError) as caught:
            text_of(path)
        assert str(caught.value).isprintable()
    for at in range(0, len(SIMPLE), 97):
        damaged = bytearray(SIMPLE)
        damaged[at] ^= 1 << dice.randrange(8)
        refused(tmp_path / "job", bytes(damaged))


CODE = twin.block(twin.CODE, TEXT)
ZEROS = bytes(15 << 20)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (SIMPLE[:7], "it is cut off in its header"),
        (job_of(), "it holds no moves"),
        (job_of(*METADATA), "it holds no moves"),
        (twin.start(version=9) + CODE, "its header claims version 9, check sum 1"),
        (job_of(CODE[:-4] + bytes(4)), "the block at byte 10 does not fit its check sum"),
        (job_of(CODE, b"tail"), f"the block at byte {10 + len(CODE)} is cut off"),
        (job_of(twin.block(9, b"x", summed=False), summed=False), "is of no known kind (9, compression 0)"),
        (job_of(twin.block(1, TEXT, 7)), "is of no known kind (1, compression 7)"),
        (job_of(twin.block(1, TEXT, 0, 3)), "is encoded in no known way (3)"),
        (job_of(twin.block(2, b"a=1", 0, 1), CODE), "is encoded in no known way (1)"),
        (job_of(twin.block(1, TEXT, 1, size=len(TEXT) - 1)), "is not as long as it says"),
        (job_of(twin.block(1, TEXT, 1, size=len(TEXT) + 1)), "is not as long as it says"),
        (job_of(twin.block(1, TEXT, 3, size=len(TEXT) - 9)), "holds more than it says"),
        (job_of(twin.block(1, TEXT, 3, size=len(TEXT) + 9)), "ends early"),
        (job_of(twin.block(1, ZEROS, 1, size=0xFFFFFFFF)), "more than any writer makes"),
        (job_of(twin.block(1, ZEROS, 1, size=99)), "is not as long as it says"),
        (job_of(twin.block(2, bytes(5 << 20), 1), CODE), "more than any writer makes"),
        (job_of(*[twin.block(2, bytes(1 << 20), 1)] * 5, CODE), "more metadata than any writer makes"),
        (job_of(*[twin.block(1, b"G1 X1\n" * 2_500_000, 1)] * 9), "no sliced job is like that"),
        (job_of(*[twin.block(1, b"X" * (1 << 20))] * 10), "a line of more than 8 MiB"),
        (job_of(*[twin.block(1, b"")] * 66_000), "it has more than 65536 blocks"),
        (job_of(twin.block(1, b"\xff\xff\xfb\x0f", 0, 1)), "ends within a character"),
        (job_of(twin.block(1, b"\xff\xff", 0, 1)), "ends within a command"),
        (job_of(twin.block(1, b"\xff\xff\x07", 0, 1)), "holds the unknown command 7"),
        (job_of(twin.block(1, b"\xff\xff\xfb\xff\xff\x41", 0, 2)), "holds the unknown command 65"),
        (job_of(twin.block(1, b"\xff\xff\xfb\x0f\xff", 0, 2)), "holds a command within a character"),
        (job_of(twin.block(1, b"\xff\xff\xfb" + b"\x11" * (9 << 20), 1, 2)), "holds too much text"),
        (job_of(twin.block(1, b"\0\1\2")), "is a binary file"),
        (job_of(twin.block(1, b"")), "holds no text"),
    ],
)  # fmt: skip
def test_what_cannot_be_a_job_is_one_line(tmp_path, content, says):
    assert says in refused(tmp_path / "job", content)


# ---------------------------------------------------------------- the two codes


KERNELS = [binarycodes, interpreted("gcodetool.gcode.binarycodes")]
job_lines = st.lists(
    st.one_of(
        st.sampled_from([b"G1 X1.5 Y22 E.03", b"G28", b"G92 E0", b"M104 S205", b"; note: GX", b"M117 Go E"]),
        st.text("GXYZE0123456789. ;nM", min_size=1, max_size=30).map(str.encode),
    ),
    max_size=30,
)


@pytest.mark.parametrize("kernel", KERNELS, ids=["compiled", "interpreted"])
@given(data=st.one_of(st.binary(max_size=300), job_lines.map(b"\n".join)), bits=st.sampled_from([11, 12]))
def test_heatshrink_is_taken_apart_as_two_others_do(kernel, data, bits):
    if not data:
        assert kernel.heatshrink(b"", 0, bits, 4) == b""
        return
    packed = bytes(heatshrink2.compress(data, window_sz2=bits, lookahead_sz2=4))
    if b"\0" in data:  # the packer may point before the beginning, where it thinks zeros are
        return
    assert kernel.heatshrink(packed, len(data), bits, 4) == data
    assert twin.unshrunk(packed, len(data), bits) == data


@pytest.mark.parametrize("kernel", KERNELS, ids=["compiled", "interpreted"])
@given(job_lines, st.booleans(), st.sampled_from([twin.PACKED, twin.PACKED_COMMENTS]))
def test_packed_text_is_taken_apart_as_the_twin_does(kernel, body, no_spaces, encoding):
    text = twin.spoken(b"\n".join([*body, b""]), encoding)
    data = twin.packed(text, no_spaces=no_spaces)
    assert kernel.unpacked(data, 1 << 20) == twin.unpacked(data) == text


@given(st.binary(max_size=60), st.integers(0, 100), st.sampled_from([11, 12]))
@settings(max_examples=300)
def test_on_noise_compiled_and_interpreted_agree(noise, size, bits):
    def tried(work, *words):
        try:
            return work(*words)
        except ValueError as error:
            return str(error)

    shrunk = [tried(kernel.heatshrink, noise, size, bits, 4) for kernel in KERNELS]
    assert shrunk[0] == shrunk[1]
    if isinstance(shrunk[0], bytes):
        assert len(shrunk[0]) == size
    for start in (b"", b"\xff\xff\xfb", b"\xff\xff\xfb\xff\xff\xf7"):
        texts = [tried(kernel.unpacked, start + noise, size) for kernel in KERNELS]
        assert texts[0] == texts[1]
        if isinstance(texts[0], bytes):
            assert len(texts[0]) <= size
            assert texts[0] == twin.unpacked(start + noise)
