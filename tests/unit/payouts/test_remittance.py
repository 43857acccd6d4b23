"""Remittance pages: one a payee, with what is paid from which statement, and of an account only its last digits."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import pytest
from pypdf import PdfReader

from coop.core.periods import Month
from coop.payouts.remittance import FromStatement, Remittance, RemittanceBook, how, outcome, remittance_pdf

IDA = Remittance(
    "D01",
    ("Ida Fenwick", "4 Mill Lane", "Elder, TX 75001"),
    542_40,
    "ach",
    "111000020000001",
    "6789",
    (FromStatement("Main Hall", "MAIN.D01.2026-10", 812_40), FromStatement("East Mill Hall", "EAST.D01.2026-10", -270_00)),
)
AMOS = Remittance("D02", ("Amos 翁",), 640_10, "check", "1041", "", (FromStatement("Main Hall", "MAIN.D02.2026-10", 640_10),))
BOOK = RemittanceBook("Lantern Yard", "letter", 3, Month(2026, 10), date(2026, 11, 10), date(2026, 11, 3), (IDA, AMOS))


@pytest.mark.parametrize(("paper", "points"), [("letter", (612, 792)), ("a4", (595, 842))])
def test_a_page_a_payee(paper: str, points: tuple[int, int]) -> None:
    content = remittance_pdf(replace(BOOK, paper=paper))
    assert content == remittance_pdf(replace(BOOK, paper=paper))
    first, second = PdfReader(io.BytesIO(content)).pages
    assert (round(first.mediabox.width), round(first.mediabox.height)) == points
    text = " ".join(first.extract_text().split())
    for words in (
        "Ida Fenwick",
        "$542.40 is paid to you for October 2026.",
        "ending in 6789 by bank transfer on Nov 10, 2026.",
        "MAIN.D01.2026-10 812.40",
        "East Mill Hall, taken off for what you owe there",
    ):
        assert words in text
    assert "Amos" not in text
    other = " ".join(second.extract_text().split())
    assert "It comes as check 1041, dated Nov 10, 2026." in other
    assert "stands for a character this typeface does not have" in other


def test_one_that_is_given_by_hand() -> None:
    page = replace(AMOS, method="hand", reference="")
    assert how(page, BOOK.pay_on) == "The office gives it to you by hand, from Nov 10, 2026 on."
    assert outcome(page, BOOK.month) == "$640.10 is paid to you for October 2026."
