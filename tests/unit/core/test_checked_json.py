"""JSON as pages send it: what no text of a database holds is refused where it is read."""

from __future__ import annotations

import pytest

from coop.core.checked_json import parse_json


@pytest.mark.parametrize("text", [r'{"zone": "fr\u0000nt"}', r'{"zone": "\\\u0000"}', r'["\u0000"]', r'{"zo\u0000ne": 1}'])
def test_a_nul_in_a_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"has a character of no meaning \(NUL\): leave it out"):
        parse_json(text)


def test_words_that_look_like_one_are_read() -> None:
    assert parse_json(r'["\\u0000", "u0000", "\u0001"]') == [r"\u0000", "u0000", "\x01"]
