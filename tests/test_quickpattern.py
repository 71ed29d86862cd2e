"""Patterns compiled late are those of ``re``."""

import re

import pytest

from gcodetool.quickpattern import compiled


def test_a_late_pattern_does_what_the_pattern_does() -> None:
    for late in (compiled(r"(?P<n>\d+) mm", re.IGNORECASE), compiled(rb"\d+")):
        own = re.compile(late.pattern, late.flags & re.IGNORECASE)
        text = "4 MM, 12 mm" if isinstance(late.pattern, str) else b"4 MM, 12 mm"
        assert [found.span() for found in late.finditer(text)] == [
            found.span() for found in own.finditer(text)
        ]
        assert late.sub(text[:0], text) == own.sub(text[:0], text)
        assert late.flags == own.flags
        assert late.groupindex == own.groupindex


def test_nothing_is_compiled_before_it_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    compile_ = re.compile
    monkeypatch.setattr(re, "compile", lambda text, flags=0: asked.append(text) or compile_(text, flags))
    late = compiled("a+")
    assert asked == []
    assert late.fullmatch("aa")
    assert asked == ["a+"]
    assert late.fullmatch("b") is None
    assert asked == ["a+"]


def test_a_mistake_shows_at_the_first_use() -> None:
    late = compiled("(")
    with pytest.raises(re.error):
        late.match("")
