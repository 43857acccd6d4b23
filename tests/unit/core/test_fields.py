"""What forms and addresses carry as text, read."""

from __future__ import annotations

import pytest

from coop.core.fields import whole_number


@pytest.mark.parametrize(
    ("text", "read"),
    [("12", 12), ("0", 0), ("9" * 18, 10**18 - 1), ("9" * 19, None), ("9" * 5000, None), ("", None), (None, None)]
    + [(text, None) for text in ("-1", "+1", "1.0", " 1", "1_0", "²", "١٢", "twelve")],
)
def test_a_whole_number_is_read_and_nothing_else_is(text: str | None, read: int | None) -> None:
    assert whole_number(text) == read
