"""The statement as paper and mail, looked at as a reader and as other programs see it."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import io
import logging
import os
import re
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pikepdf
import pytest

from coop.core.pdf import printable, render_pdf
from coop.core.templating import day, dollars, dollars_plain, money, short_day
from coop.statements import documents
from coop.statements.domain import SaleLine, StatementValue, to_json
from tests.factories import statements

ROOT = Path(__file__).resolve().parents[3]
samples = pytest.mark.parametrize("make", statements.SAMPLES.values(), ids=statements.SAMPLES.keys())
Make = Callable[[], StatementValue]


@functools.cache
def paper(make: Make, size: str = "letter") -> bytes:
    return documents.statement_pdf(dataclasses.replace(make(), paper=size))


def pages(content: bytes) -> list[str]:
    """The text of each page as another program lays it out."""
    done = subprocess.run(["pdftotext", "-layout", "-enc", "UTF-8", "-", "-"], input=content, capture_output=True, check=True)
    return done.stdout.decode("utf-8").split("\f")[:-1]


def lines_of(content: bytes) -> list[list[str]]:
    """Each page's lines without blank ones, blanks within a line squeezed."""
    return [[" ".join(line.split()) for line in page.splitlines() if line.strip()] for page in pages(content)]


def opened(content: bytes) -> pikepdf.Pdf:
    return pikepdf.open(io.BytesIO(content))


# --- what stands on it ------------------------------------------------------------------------------------------------


def _amounts(line: SaleLine) -> list[str]:
    discount = [money(-line.discount_cents)] if line.discount_cents else []
    return [money(line.tag_cents), *discount, money(line.price_cents)]


@pytest.mark.parametrize("size", ["letter", "a4"])
@pytest.mark.parametrize("name", ["ten sales", "everything", "held", "debt", "empty", "untied return", "her own tax"])
def test_every_amount_is_on_the_paper(name: str, size: str) -> None:
    value = statements.SAMPLES[name]()
    text = [line for page in lines_of(paper(statements.SAMPLES[name], size)) for line in page]
    for line in value.sales:
        end = f"{money(-line.discount_cents)} {money(line.price_cents)}" if line.discount_cents else money(line.price_cents)
        row = next(t for t in text if f" {line.ticket} {line.tag} " in t)
        assert row.startswith(short_day(line.sold_on))
        assert row.endswith(f"{documents.item(line)} {money(line.tag_cents)} {end}")
    if any(line.coupon_cents for line in value.sales):
        assert "a coupon of yours took off 1.00" in text
    for given_back in value.returns:
        row = next(t for t in text if f" {given_back.ticket} {given_back.tag} " in t)
        if value.is_full:
            assert row.endswith(" ".join(_amounts(given_back)))
            assert any(t.startswith(f"sold on ticket: {given_back.returns or 'untied'}") for t in text)
        else:
            assert row.endswith(f" {given_back.returns or 'untied'} {money(given_back.price_cents)}")
    said = documents.said(value)
    for row in (*said.charge_rows, *said.next_rent_rows):
        assert " ".join(filter(None, (row.label, row.working, money(row.amount_cents)))) in text
    for row in said.paid_rows:
        assert f"{row.label} {row.working} {money(row.amount_cents)}" in text
    for row in said.year_rows:
        assert f"{row.label} ({row.working}) {money(row.before_cents)} {money(row.month_cents)} {money(row.total_cents)}" in text
    for layaway in value.layaways:
        days = f"{day(layaway.agreed_on)} {day(layaway.due_on)}"
        paid = money(layaway.paid_cents)
        assert f"{layaway.number} {layaway.tag} {layaway.item} {days} {paid} {money(layaway.price_cents)}" in text
    for turn in value.turns:
        assert f"{turn.label} {turn.working} {turn.count}" in text
    for payment in value.payments:
        assert any(t.endswith(f"{payment.label} {money(payment.amount_cents)}") for t in text)
    for tax in (*value.tax_collected, *value.tax_owed):
        assert f"{tax.jurisdiction} {tax.percent}% {money(tax.taxable_cents)} {money(tax.amount_cents)}" in text
    whole = " ".join(text)
    for sentence in (
        *said.to_file,
        said.outcome,
        said.elsewhere_note,
        said.year_note,
        said.next_rent_note if value.next_rent else "",
    ):
        assert sentence in whole
    for picture in said.pictures:
        assert picture.heading in whole
        assert all(column.figure in whole for column in picture.columns)
    assert said.undrawn in whole
    assert said.nothing_of in whole
    for label, cents in value.sums:
        assert any(t.startswith(label) and t.endswith(" " + money(cents)) for t in text)


def test_the_first_page_tells_the_whole_story_in_order() -> None:
    value = statements.two_pages()
    [first, *_] = pages(paper(statements.two_pages))
    told = [
        value.mall_name,
        value.coop_name,
        "Statement for December 2010",
        "Statement MAIN.D01.2010-12, made Jan 3, 2011",
        "Dec 1, 2010 to Dec 31, 2010",
        "Booth 12, 120.00 sq ft; Case 3",
        f"{dollars(value.closing_cents)} will be paid to you on Jan 10, 2011 by check.",
        "Opening balance",
        "Net sales",
        "Closing balance",
        "To be paid",
        "Sold by day",
        "Tag price",
    ]
    where = [first.index(words) for words in told]
    assert where == sorted(where)
    for words in ("Ida Fenwick", "Fenwick & Daughter", "18 Tannery Lane"):
        assert words in first


def test_discounts_say_why_and_by_whose_authority() -> None:
    text = "\n".join(pages(paper(statements.two_pages)))
    assert "standing discount: 10% on request over $20.00" in text
    assert "booth sale: all of Booth 12, Dec 3 to Dec 31" in text
    assert "offer: approved by D01" in text


def test_an_untied_return_and_a_late_sale_are_shown_as_such() -> None:
    text = " ".join("\n".join(pages(paper(statements.untied_return))).split())
    assert "Untied: no sale was named for it" in text
    assert "reached the books on Dec 1, 2010, after its month was" in text
    assert "Untied" not in "\n".join(pages(paper(statements.ten_sales)))


@pytest.mark.parametrize(
    ("closing", "pay_on", "sentence"),
    [
        (74200, date(2011, 1, 10), "$742.00 will be paid to you on Jan 10, 2011."),
        (74200, None, "$742.00 is yours and is carried forward to January 2011; it is not paid now."),
        (-8810, date(2011, 1, 10), "You owe $88.10, which is carried forward to January 2011."),
        (0, None, "Nothing is to be paid: your balance is $0.00."),
    ],
)
def test_the_sentence_that_matters(closing: int, pay_on: date | None, sentence: str) -> None:
    value = dataclasses.replace(statements.empty(), opening_cents=closing, closing_cents=closing, pay_on=pay_on)
    assert documents.outcome(value) == sentence
    assert sentence in pages(documents.statement_pdf(value))[0]
    _, text, html = documents.statement_mail(value)
    assert text.splitlines()[0] == sentence
    assert sentence in html.partition("</p>")[0]


# --- pages ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["letter", "a4"])
@pytest.mark.parametrize(
    ("name", "count"), [("left", 1), ("ten sales", 2), ("two pages", 2), ("three pages", 3), ("everything", 3)]
)
def test_each_paper_has_the_pages_its_month_needs(name: str, count: int, size: str) -> None:
    made = lines_of(paper(statements.SAMPLES[name], size))
    assert [page[-1].rpartition("page ")[2] for page in made] == [f"{number} of {count}" for number in range(1, count + 1)]


@pytest.mark.parametrize("size", ["letter", "a4"])
def test_a_busy_month_takes_two_pages_with_numbers_and_repeated_heads(size: str) -> None:
    both = lines_of(paper(statements.two_pages, size))
    assert len(both) == 2
    for number, page in enumerate(both, 1):
        assert page[-1] == f"Statement MAIN.D01.2010-12 · D01 page {number} of 2"
        assert "Date, ticket Tag Item Tag price Discount Price" in page
    assert both[1][0] == "Date, ticket Tag Item Tag price Discount Price"


@pytest.mark.parametrize(("size", "width", "height"), [("letter", 612, 792), ("a4", 595.28, 841.89)])
def test_the_paper_is_the_one_the_mall_uses(size: str, width: float, height: float) -> None:
    """Source: ANSI/ASME Y14.1 (8.5 x 11 in) and ISO 216 (210 x 297 mm), in points; from memory."""
    with opened(paper(statements.ten_sales, size)) as file:
        assert [float(side) for side in file.pages[0].MediaBox] == pytest.approx([0, 0, width, height], abs=0.01)


def test_no_total_stands_alone_and_no_heading_ends_a_page() -> None:
    """However the lines fall: a total has its last two rows with it, a heading its table's first row."""
    seen_at_top = 0
    for count in range(19, 31):
        sales = statements.sale_lines(count)
        value = statements.statement(sales, (statements.return_line(sales[3], date(2010, 12, 20)),))
        made = documents.statement_pdf(statements.in_full(value))
        every_page = lines_of(made)
        for page in every_page:
            body = page[:-1]
            assert body[-1] not in ("Sales", "Returns", "Charges", "Payments")
            assert not body[-1].startswith(("Date, ticket", "What ", "Collected for", "Sales tax", "Rent of ", "The year "))
            for at, line in enumerate(body):
                if line.endswith("pieces sold") or " pieces sold " in line:
                    rows = [above for above in body[:at] if above.startswith("Dec ")]
                    assert len(rows) >= 2
                    seen_at_top += body[0].startswith("Date, ticket")
    assert seen_at_top, "in none of these did the total fall on a second page, so nothing was tried"


def test_a_month_of_seven_hundred_lines_keeps_every_one() -> None:
    value = statements.statement(statements.sale_lines(700))
    made = lines_of(documents.statement_pdf(value))
    tags = {line.split()[3] for page in made for line in page if line.startswith("Dec ")}
    assert tags >= {line.tag for line in value.sales}
    assert made[-1][-1].endswith(f"page {len(made)} of {len(made)}")


# --- for machines and for people who cannot see -----------------------------------------------------------------------


@samples
def test_it_is_tagged_named_and_of_one_family(make: Make, caplog: pytest.LogCaptureFixture) -> None:
    value = make()
    with caplog.at_level(logging.WARNING):
        content = documents.statement_pdf(value)
    assert caplog.records == []
    with opened(content) as file:
        assert bool(file.Root.MarkInfo.Marked)
        assert bool(file.Root.ViewerPreferences.DisplayDocTitle)
        assert str(file.Root.Lang) == "en"
        assert str(file.docinfo["/Title"]).startswith("Statement MAIN.D01.2010-12 for December 2010, D01 ")
        assert str(file.docinfo["/CreationDate"]).startswith("D:20110103")
        with file.open_metadata() as metadata:
            assert metadata["pdfuaid:part"] == "1"
            assert str(file.docinfo["/Title"]) in str(metadata["dc:title"])
        fonts = [o for o in file.objects if isinstance(o, pikepdf.Dictionary) and o.get("/Subtype") == "/CIDFontType0"]
        assert fonts
        for font in fonts:
            assert "+Source-Serif-Pro" in str(font.BaseFont)
            assert "/FontFile3" in font.FontDescriptor


def _elements(node: pikepdf.Object) -> list[str]:
    """Kinds of the structure's elements, in reading order."""
    kinds = [str(node.S)[1:]] if "/S" in node else []
    children = node.get("/K", [])
    for child in children if isinstance(children, pikepdf.Array) else [children]:
        if isinstance(child, pikepdf.Dictionary) and "/S" in child:
            kinds += _elements(child)
    return kinds


def test_the_structure_reads_as_headings_and_tables_with_heads() -> None:
    with opened(paper(statements.ten_sales)) as file:
        kinds = _elements(file.Root.StructTreeRoot)
    headings = [kind for kind in kinds if kind in ("H1", "H2", "Table", "Figure")]
    assert headings == ["H1", "Table", "Figure", "Figure", "Table", "Figure", "Table", *["H2", "Table"] * 6]
    heads = 3 + 6 + 4 + 3 + 6 + 1 + 6 + 3 + 1 + 3 + 4 + 5  # columns, and the rows of sums and totals
    assert kinds.count("TH") == heads


def test_it_reads_aloud_in_the_order_of_the_story() -> None:
    """The structure's own text, as a screen reader follows it."""
    done = subprocess.run(["pdfinfo", "-struct-text", "-"], input=paper(statements.two_pages), capture_output=True, check=True)
    text = done.stdout.decode("utf-8")
    value = statements.two_pages()
    told = [value.mall_name, value.dealer_name, "Statement for December 2010", documents.outcome(value), "Opening balance"]
    told += [f'"{line.tag}"' for line in value.sales]
    told += ["58 pieces sold", "Returns", "20921", "120.00 sq ft", "Paid to you for November 2010"]
    told += ["Rent of January 2011", "The year 2010 to Dec 31", "17,393.71", "Millrace County"]
    at = 0
    for words in told:
        at = text.index(words, at) + len(words)
    assert "page 1 of" not in text


def test_it_opens_in_a_strict_reader_without_complaint() -> None:
    for make in statements.SAMPLES.values():
        done = subprocess.run(["pdfinfo", "-"], input=paper(make), capture_output=True, check=True)
        assert done.stderr == b""
        assert b"Tagged:          yes" in done.stdout
        with opened(paper(make)) as file:
            assert list(file.check_pdf_syntax()) == []


def test_odd_characters_are_shown_or_replaced_and_said() -> None:
    text = "\n".join(pages(paper(statements.odd_characters)))
    for words in ("<script>alert('x')</script>", "Самовар, brûlé, Łódź, naïve é", "{{ 7*7 }} {% raw %} &amp; &#x4e2d;"):
        assert words in text
    assert "◊◊◊◊ vase" in text
    assert "◊ stands for a character this typeface does not have." in text
    assert "◊" not in "\n".join(pages(paper(statements.two_pages)))


def test_long_words_stay_on_the_paper() -> None:
    with opened(paper(statements.long_words)) as file:
        right = float(file.pages[0].MediaBox[2])
    done = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=paper(statements.long_words), capture_output=True, check=True)
    ends = [float(part.split('"')[0]) for part in done.stdout.decode().split('xMax="')[1:]]
    assert len(ends) > 100
    assert max(ends) <= right - 50


# --- the same, to the byte --------------------------------------------------------------------------------------------


@samples
def test_rendered_again_it_is_the_same_to_the_byte(make: Make) -> None:
    assert documents.statement_pdf(dataclasses.replace(make(), paper="letter")) == paper(make)


@samples
def test_read_as_xml_and_as_html_it_is_the_same_to_the_byte(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    value = dataclasses.replace(make(), paper="letter")
    as_xml = paper(make)
    monkeypatch.setattr(documents, "render_pdf", render_as_html)
    assert documents.statement_pdf(value) == as_xml


def render_as_html(html: str, css: tuple[str, ...], *, well_formed: bool, **options: Any) -> bytes:
    assert well_formed
    ElementTree.fromstring(re.sub(r"<(br|col)([^<>]*)>", r"<\1\2/>", f"<body>{printable(html)}</body>"))  # as it is said to be
    return render_pdf(html, css, **options)


def test_another_process_in_another_folder_makes_the_same_bytes(tmp_path: Path) -> None:
    stored = tmp_path / "value.json"
    stored.write_text(to_json(statements.odd_characters()), encoding="utf-8")
    program = (
        "import hashlib, pathlib, sys\n"
        "from coop.statements.documents import statement_pdf\n"
        "from coop.statements.domain import from_json\n"
        "value = from_json(pathlib.Path(sys.argv[1]).read_text(encoding='utf-8'))\n"
        "print(hashlib.sha256(statement_pdf(value)).hexdigest())\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TZ": "Asia/Tokyo", "LC_ALL": "C", "PYTHONHASHSEED": "7"}
    done = subprocess.run(
        [sys.executable, "-c", program, str(stored)],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == hashlib.sha256(paper(statements.odd_characters)).hexdigest()


# --- mail and names ---------------------------------------------------------------------------------------------------


@samples
def test_the_mail_is_useful_by_itself(make: Make) -> None:
    value = make()
    subject, text, html = documents.statement_mail(value)
    assert subject.startswith("Your statement for December 2010, ")
    assert "\n" not in subject
    assert text.splitlines()[0] == documents.outcome(value).replace("\u2212", "-")
    assert "\u2212" not in text
    for label, cents in value.sums:
        assert any(
            line.startswith(label) and f" {dollars_plain(cents).replace('$', '')}   " in line for line in text.splitlines()
        )
        assert f">{money(cents)}</td>" in html
    assert "<script" not in html
    assert documents.statement_file_name(value) in text


def test_a_name_with_a_line_break_does_not_break_the_subject() -> None:
    value = dataclasses.replace(statements.empty(), mall_name="Hall\r\nBcc: all@example.org")
    subject, _, _ = documents.statement_mail(value)
    assert subject == "Your statement for December 2010, Hall Bcc: all@example.org"


def test_file_names_are_plain() -> None:
    value = statements.empty()
    assert documents.statement_file_name(value) == "statement-MAIN.D01.2010-12.pdf"
    odd = dataclasses.replace(value, mall_code="../A B", dealer_code="é\0/1")
    assert documents.statement_file_name(odd) == "statement----A-B.---1.2010-12.pdf"


def test_a_discount_is_not_named_twice() -> None:
    line = dataclasses.replace(statements.sale_lines(1)[0], discount_reason="booth", discount_authority="booth sale of D38")
    assert documents.notes(line) == "booth sale of D38"
    assert documents.notes(dataclasses.replace(line, discount_authority="all of Booth 12")) == "booth sale: all of Booth 12"


def test_a_ticket_number_of_twelve_figures_takes_one_line() -> None:
    sales = tuple(dataclasses.replace(line, ticket=f"2026-10-{n:04d}") for n, line in enumerate(statements.sale_lines(54)))
    made = lines_of(documents.statement_pdf(statements.statement(sales)))
    assert len(made) == 2
    text = [line for page in made for line in page]
    for line in sales:
        assert any(f" {line.ticket} {line.tag} " in row for row in text), line.ticket


@samples
def test_a_letter_on_a_page_keeps_its_columns_and_every_word(make: Make) -> None:
    value = make()
    _, text, _ = documents.statement_mail(value)
    found = documents.passages(text)
    [rows] = [passage.rows for passage in found if passage.rows]
    told = [*value.sums, *((row.label, row.amount_cents) for row in documents.said(value).paid_rows)]
    assert [(what, amount) for what, amount, _ in rows] == [(label, money(cents).replace("\u2212", "-")) for label, cents in told]
    words = " ".join(" ".join((*passage.lines, *(part for row in passage.rows for part in row))) for passage in found)
    assert words.split() == text.split()


def test_prose_with_blanks_is_no_table() -> None:
    assert documents.passages("Two  blanks  here\n\n\nand 1.00  there\n") == [
        documents.Passage(lines=("Two  blanks  here",)),
        documents.Passage(lines=("and 1.00  there",)),
    ]
