"""Laws of the TOML reader: each key's line is found, and every refusal is one line that says where."""

import math

import pytest
import tomli
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.errors import InputError, SpoolError
from gcodetool.tomlfile import Table, load, locate

words = st.text("abcdefgXYZ012_-", min_size=1, max_size=6)
odd_keys = st.sampled_from(['"a b"', '"x.y"', "'#'", '"= ["', '"\\u00e9"', '""'])
values = st.sampled_from(
    [
        "1",
        "-2.5e-3",
        "true",
        '"plain"',
        '"a \\" # [ quote"',
        "'C:\\'",
        '"""\nlines # [x]\n= "" more\n"""',
        "'''\n[not.a.table]\nkey = 1\n'''",
        '"""ends in quotes"""""',
        "[1, 2]",
        "[\n  1, # one ]\n  [2, '''\n]'''],\n]",
        '{ a = 1, b = "}" }',
        "2026-11-02T08:00:00+01:00",
    ]
)
fillers = st.sampled_from(["", "\n", "# comment = [\n", "\n# '\"\n\n", "  "])


@st.composite
def documents(draw):
    """Return a TOML text and the line of each key and header in it, both written in one go."""
    text = ""
    lines: dict[tuple, int] = {}

    def keys_of(path):
        nonlocal text
        for key in draw(st.lists(words | odd_keys, max_size=3, unique_by=decoded)):
            text += draw(fillers)
            lines[(*path, decoded(key))] = text.count("\n") + 1
            text += key + draw(st.sampled_from([" = ", "=", "\t=  "])) + draw(values)
            text += draw(st.sampled_from(["\n", " # tail ]\n", "\n\n"]))

    keys_of(())
    taken = {path[0] for path in lines}
    for name in draw(st.lists(words, max_size=3, unique=True)):
        if name in taken:
            continue
        count = draw(st.integers(0, 3))  # 0: a table, else an array of that many
        for number in range(count or 1):
            text += draw(fillers)
            line = text.count("\n") + 1
            path = (name,) if not count else (name, number)
            lines.setdefault((name,), line)
            lines[path] = line
            text += f"[{name}]\n" if not count else f"[[ {name} ]] # [x]\n"
            keys_of(path)
            inner = draw(words)
            if (*path, inner) not in lines:
                text += draw(fillers)
                lines[(*path, inner)] = text.count("\n") + 1
                text += f"[{name}.{inner}]\n"
                keys_of((*path, inner))
    return text, lines


def decoded(key):
    return next(iter(tomli.loads(key + " = 0")))


@given(documents(), st.booleans())
def test_each_key_has_the_line_it_was_written_on(document, crlf):
    text, lines = document
    tomli.loads(text)  # the writer writes TOML
    found = locate(text.replace("\n", "\r\n") if crlf else text)
    assert {path: found.get(path) for path in lines} == lines


@given(st.text(max_size=200))
def test_any_text_loads_or_is_refused_in_one_line(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        table = load(path, SpoolError, "spool file")
    except SpoolError as problem:
        message = str(problem)
        assert message.startswith(str(path))
        assert message.isprintable()
    else:
        for key in table.data:
            assert table.document.line((key,)) >= 1


@given(st.binary(max_size=60))
def test_any_bytes_load_or_are_refused_in_one_line(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "bytes.toml"
    path.write_bytes(data)
    try:
        load(path, SpoolError, "spool file")
    except SpoolError as problem:
        assert str(problem).isprintable()


def read(tmp_path, text):
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    return load(path, SpoolError, "spool file")


@pytest.mark.parametrize(
    ("call", "text", "message"),
    [
        (lambda t: t.number("a"), "a = true", "a is true or false; write a number without quotes"),
        (lambda t: t.number("a"), "a = 'one'", "a is a text; write a number without quotes"),
        (lambda t: t.number("a"), "a = nan", "a is not finite; write a number"),
        (lambda t: t.number("a", low=0, high=1), "a = 2", "a is 2, but must be from 0 to 1; correct it"),
        (lambda t: t.number("a", above=0), "a = 0", "a is 0, but must be more than 0; correct it"),
        (lambda t: t.numbers("a", 2), "a = [1]", "a must be a list of 2 numbers; write […, …]"),
        (
            lambda t: t.numbers("a", 2, rising=True),
            "a = [2, 1]",
            "a runs from high to low; write the low end first",
        ),
        (lambda t: t.words("a"), "a = [1]", 'a must be a list of texts; write ["…", "…"]'),
        (lambda t: t.text("a"), "a = 1", "a is a whole number; write a text in quotes"),
        (lambda t: t.text("a"), "a = ' '", "a is empty; fill it or leave the key out"),
        (
            lambda t: t.choice("a", ("few", "many")),
            "a = 'Few'",
            "a is 'Few', but must be few | many; did you mean 'few'?",
        ),
        (lambda t: t.flag("a"), "a = 1", "a is a whole number; write true or false"),
        (lambda t: t.whole("a"), "a = true", "a is true or false; write a whole number"),
        (lambda t: t.whole("a"), "a = -1", "a is -1, but must be from 0 to 2.14748e+09; correct it"),
        (lambda t: t.table("a"), "a = 1", "a is a whole number; write a table, [a]"),
        (lambda t: t.tables("a"), "a.b = 1", "a.b is a whole number; write a table, [a.NAME]"),
        (lambda t: t.array("a"), "a = [1]", "a must be an array of tables; head each with [[a]]"),
        (lambda t: t.only(("able",)), "abel = 1", "'abel' is no key of the file; did you mean 'able'?"),
        (lambda t: t.only(("able",)), '"a\\nb" = 1', "'a b' is no key of the file; known: able"),
    ],
)
def test_what_a_value_cannot_be_is_said_with_its_line(tmp_path, call, text, message):
    table = read(tmp_path, "# a comment\n" + text)
    with pytest.raises(SpoolError) as caught:
        call(table)
    assert str(caught.value) == f"{tmp_path / 'x.toml'}:2: {message}"


def test_what_is_absent_is_none_or_empty(tmp_path):
    table = read(tmp_path, "b = 1")
    assert [call("a") for call in (table.number, table.text, table.flag, table.whole, table.moment)] == [
        None
    ] * 5
    assert (table.words("a"), table.tables("a"), table.array("a"), table.table("a")) == ((), {}, [], None)
    assert table.numbers("a", 2) is None
    assert table.number("b") == 1.0
    assert isinstance(table, Table)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the spool file is empty; fill it or name another"),
        (b"\xef\xbb\xbf \r\n", "the spool file is empty; fill it or name another"),
        (b"a = 1\nb = \xff\n", "2: byte 0xff is not UTF-8; save the spool file as UTF-8"),
        (b"a = 1\nb = \n", "2: not TOML: Invalid value; correct this line"),
        (b"a = 1\na = 2\n", "2: not TOML: Cannot overwrite a value; correct this line"),
        (b"a = 1\nb = [1", "2: not TOML: Unclosed array; correct this line"),
        (b"a = 1\nb = 1" + b"0" * 400, "2: 'b' is a whole number of more than 64 bits; correct it"),
        (b"a = 1\nb = 0x" + b"f" * 9000, "2: 'b' is a whole number of more than 64 bits; correct it"),
        (b"a = 1\nb = " + b"1" * 9000, "a number in the spool file is too long; correct it"),
        (b"b = " + b"[" * 40 + b"]" * 40, "1: '0' is nested more than 32 deep; correct it"),
        (b"b = " + b"[" * 9000, "nested too deeply to be a spool file; name another"),
        (b"b = 1\n" + b"a." * 9000 + b"b = 1", "2: a name of more than 32 parts; correct this line"),
        (b"[" + b"'a' . " * 9000 + b"b]", "1: a name of more than 32 parts; correct this line"),
        (b"a = 1\nb = '\0'", "2: a binary file, not a spool file; save it as text"),
    ],
)
def test_what_is_no_toml_is_refused(tmp_path, data, message):
    path = tmp_path / "x.toml"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        load(path, SpoolError, "spool file")
    assert str(caught.value).replace(f"{path}: ", "").replace(f"{path}:", "") == message


def test_a_byte_order_mark_and_crlf_are_fine(tmp_path):
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\n\r\nb = 2\r\n")
    table = load(path, SpoolError, "spool file")
    assert table.data == {"a": 1, "b": 2}
    assert table.document.line(("b",)) == 3


def test_missing_files_and_folders_are_refused(tmp_path):
    with pytest.raises(SpoolError, match="no such spool file; check the path"):
        load(tmp_path / "none.toml", SpoolError, "spool file")
    with pytest.raises(SpoolError, match="a folder, not a spool file; name the file in it"):
        load(tmp_path, SpoolError, "spool file")
    with pytest.raises(SpoolError, match="the spool file cannot be read"):
        load("a\0b", SpoolError, "spool file")


def test_times_are_utc_seconds_and_naive_ones_local(tmp_path, monkeypatch):
    table = read(tmp_path, "a = 1970-01-02T01:00:00+01:00\nb = 1970-01-02 00:00:00 \n")
    assert table.moment("a") == 86400.0
    local = table.moment("b")
    assert local is not None
    assert math.isfinite(local)
    monkeypatch.setenv("TZ", "Etc/GMT-3")
    import time

    time.tzset()
    try:
        assert table.moment("b") == 86400.0 - 3 * 3600
    finally:
        monkeypatch.undo()
        time.tzset()
