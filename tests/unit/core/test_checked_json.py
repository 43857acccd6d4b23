"""JSON as pages send it: what no text of a database holds is refused where it is read."""

from __future__ import annotations

import pytest

from coop.core.checked_json import parse_json


@pytest.mark.parametrize("text", [r'{"zone": "fr\u0000nt"}', r'{"zone": "\\\u0000"}', r'["\u0000"]', r'{"zo\u0000ne": 1}'])
def test_a_nul_in_a_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"has a character of no meaning \(NUL\): leave it out"):
        parse_json(text)


@pytest.mark.parametrize(
    "text", [r'{"zone": "fr\ud800nt"}', r'["\udc00\ud800"]', r'[[{"a": ["\uDFFF"]}]]', r'{"zo\ud83dne": 1}', '["\udc80"]']
)
def test_half_a_character_is_refused(text: str) -> None:
    """RFC 8259, section 8.2: JSON can write an unpaired surrogate, and what a reader makes of it is not predictable."""
    with pytest.raises(ValueError, match=r"has half a character \(a surrogate without its other\): leave it out"):
        parse_json(text)


def test_both_halves_are_one_character() -> None:
    assert parse_json(r'{"\ud83e\ude91": ["\ud83e\ude91", "\\ud800"]}') == {"\U0001fa91": ["\U0001fa91", r"\ud800"]}


def test_words_that_look_like_one_are_read() -> None:
    assert parse_json(r'["\\u0000", "u0000", "\u0001"]') == [r"\u0000", "u0000", "\x01"]
