"""CSV for other programs."""

from __future__ import annotations

import pytest

from coop.core.csv_text import csv_text, defused


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum(a1)", "\t=1", "\r=1"])
def test_no_cell_is_taken_for_a_formula(text: str) -> None:
    assert defused(text) == "'" + text


def test_other_texts_stay_as_they_are() -> None:
    assert [defused(text) for text in ("Elder county - north", "")] == ["Elder county - north", ""]


def test_a_table_has_its_heading_and_quotes_what_needs_it() -> None:
    assert csv_text(["a", "b"], [["1", 'x, "y"'], ["2", ""]]) == 'a,b\r\n1,"x, ""y"""\r\n2,\r\n'
