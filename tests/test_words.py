"""What others wrote, as it is shown to people."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.words import printable


@given(st.text(), st.booleans())
def test_what_is_printed_moves_no_cursor(text: str, lines: bool) -> None:
    """Source: the general categories of Unicode: Cc controls, Cf directions, Zl and Zp lines, Cs half characters."""
    shown = printable(text, lines)
    rest = shown.replace("\n", "") if lines else shown
    assert not {unicodedata.category(char) for char in rest} & {"Cc", "Cf", "Zl", "Zp", "Cs"}
    assert shown.count("\n") == (text.count("\n") if lines else 0)


@given(st.text(st.characters(categories=["L", "N", "P", "S"])))
def test_what_people_read_stays_as_it_is(text: str) -> None:
    assert printable(text) == text


def test_what_is_escaped_can_be_read() -> None:
    assert printable("\x1b[2J\r\n\u202e\x9b") == r"\x1b[2J\r\n\u202e\x9b"
