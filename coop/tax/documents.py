"""A return on paper and as CSV, and the due dates as a calendar. Made from the worksheet and from nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from coop.core.csv_text import csv_text, defused
from coop.core.money import format_cents, format_decimal, plain_cents
from coop.core.pdf import REPLACEMENT, printable, render_pdf
from coop.core.templating import day, dollars, environment, render
from coop.tax.domain.frozen import Worksheet, to_json
from coop.tax.domain.returns import JurisdictionSums, RatedSum, TaxReturn

PAPERS = {"letter": "@page { size: letter }", "a4": "@page { size: A4 }"}
CAUTION = (
    "The state's rule decides: what is taxed, at which rate, who owes it, what may be kept and when it is due. "
    "This is worked out from the settings and rates entered here; compare it with the state's own form before you file."
)
"""Shown wherever a figure of tax is."""


@dataclass(frozen=True)
class SumRow:
    """A line of the sum that ends in net due."""

    label: str
    working: str
    amount_cents: int


def sum_rows(sheet: Worksheet) -> list[SumRow]:
    """From the tax owed to the net due; every row adds to the last."""
    value = sheet.value
    rows = [SumRow("Tax owed", _tax_working(sheet), value.tax_cents)]
    if value.in_time or value.allowance_cents:
        rows.append(SumRow("Timely-filing allowance", f"filed by {day(value.due_on)}", -value.allowance_cents))
    if value.prepaid_cents:
        rows.append(SumRow("Prepaid", "", -value.prepaid_cents))
    if value.amends is not None:
        rows.append(SumRow("Paid before", f"with {value.amends}", -value.paid_before_cents))
    if value.interest_cents:
        rows.append(SumRow("Interest", _interest_working(value), value.interest_cents))
    rows.append(SumRow("Net due", "to be paid" if value.net_due_cents >= 0 else "a credit", value.net_due_cents))
    return rows


def _interest_working(value: TaxReturn) -> str:
    parts = [(part.on, f"{dollars(part.cents)} ") for part in value.paid_late]
    last = value.net_due_cents - value.interest_cents
    if last > 0 or not parts:
        parts.append((value.filed_on, f"{dollars(last)} " if parts else ""))
    days = [(what, (on - value.due_on).days) for on, what in parts]
    said = ", ".join(f"{what}{late} {'day' if late == 1 else 'days'}" for what, late in days)
    return f"{said} after {day(value.due_on)}"


def _tax_working(sheet: Worksheet) -> str:
    value = sheet.value
    if not value.rounding_cents:
        return "as collected"
    more = "more" if value.rounding_cents > 0 else "less"
    return f"{dollars(abs(value.rounding_cents))} {more} was collected, by rounding ticket by ticket"


def rate_label(row: RatedSum) -> str:
    """`5.5%`, with the name of an upper tier before it."""
    return f"{row.part} {format_decimal(row.percent)}%".strip()


def file_stem(number: str) -> str:
    """`tax-return-elder-revenue-office.2026-09`: plain letters, digits, hyphens and points, whatever the number holds."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c == ".") else "-" for c in number)
    return f"tax-return-{plain}"


def pdf_name(number: str) -> str:
    """The file name a filed return's rendering is kept under."""
    return f"{file_stem(number)}.pdf"


def title(sheet: Worksheet) -> str:
    return f"Sales-tax return {sheet.value.number}, {sheet.value.office}, {sheet.value.period.name}"


# --- paper --------------------------------------------------------------------------------------------------------------


def return_html(sheet: Worksheet, *, filed: bool) -> str:
    """The body's markup of the paper; `filed` is false for a draft, and says so."""
    whole = to_json(sheet)
    return render(
        "pdf/tax_return/body.html",
        sheet=sheet,
        value=sheet.value,
        filed=filed,
        sum_rows=sum_rows(sheet),
        rate_label=rate_label,
        caution=CAUTION,
        replacement=REPLACEMENT if printable(whole).count(REPLACEMENT) > whole.count(REPLACEMENT) else "",
    )


def return_pdf(sheet: Worksheet, *, filed: bool, paper: str = "letter") -> bytes:
    """The worksheet as PDF/UA-1; equal values give equal bytes. Raises PdfError."""
    source, _, _ = environment().loader.get_source(environment(), "pdf/tax_return/style.css")  # type: ignore[union-attr]
    return render_pdf(return_html(sheet, filed=filed), (source, PAPERS[paper]), title=title(sheet), created=sheet.value.filed_on)


# --- CSV ----------------------------------------------------------------------------------------------------------------

HEADINGS = ("return", "jurisdiction", "figure", "detail", "percent", "taxable", "amount")


def return_csv(sheet: Worksheet) -> str:
    """The worksheet as CSV, an amount a row, with its period before and its control totals after.

    Dollars with two decimals, no grouping. A text that a spreadsheet could take for a formula is led by an apostrophe.
    """
    value = sheet.value
    rows: list[tuple[str, str, str, str, int | None, int | None]] = []
    for line in value.lines:
        rows += _csv_lines(line)
    rows += [(value.office, row.label.lower(), row.working, "", None, row.amount_cents) for row in sum_rows(sheet)]
    rows += [(c.where, "changed", f"{c.what}: was {format_cents(c.was_cents)}", "", None, c.now_cents) for c in value.changes]
    rows += [
        ("", "late ticket", f"{one.key}, sold {one.sold_on}, in the books {one.posted_on}", "", None, one.tax_cents)
        for one in sheet.late
    ]
    rows += [("", "does not tie", sentence, "", None, None) for sentence in sheet.apart]
    said = [("amends", value.amends or ""), ("reason", sheet.reason)]
    rows += [("", figure, text, "", None, None) for figure, text in said if text]
    controls = [
        ("", "control", "rows before this one", "", None, None),
        ("", "control", "sum of gross sales", "", None, sum(line.gross_cents for line in value.lines)),
        ("", "control", "sum of taxable sales", "", sum(line.taxable_cents for line in value.lines), None),
        ("", "control", "sum of tax collected", "", None, value.collected_cents),
        ("", "control", "tax of the tickets", "", None, sheet.tickets_cents),
        ("", "control", "tax in the books", "", None, sheet.books_cents),
    ]
    lines = [
        _cells(value.number, value.office, "period", value.period.name, "", "", ""),
        _cells(value.number, value.office, "due", value.due_on.isoformat(), "", "", ""),
    ]
    for where, figure, detail, percent, taxable, amount in [*rows, *controls]:
        shown = str(len(rows) + 2) if detail == controls[0][2] else _amount(amount)
        lines.append(_cells(value.number, where, figure, detail, percent, _amount(taxable), shown))
    return csv_text(HEADINGS, lines)


def _csv_lines(line: JurisdictionSums) -> Iterable[tuple[str, str, str, str, int | None, int | None]]:
    yield line.name, "gross sales", "", "", None, line.gross_cents
    for reason, cents in line.deductions:
        yield line.name, "deduction", reason, "", None, cents
    for reason, cents in line.exempt:
        yield line.name, "exempt", reason, "", None, cents
    yield line.name, "taxable sales", "", "", line.taxable_cents, None
    for row in line.rated:
        yield line.name, "tax due", row.part, f"{row.percent:f}", row.taxable_cents, row.due_cents
        yield line.name, "tax collected", row.part, f"{row.percent:f}", row.taxable_cents, row.collected_cents
    yield line.name, "difference", "collected less due", "", None, line.difference_cents


def _amount(cents: int | None) -> str:
    return "" if cents is None else plain_cents(cents)


def _cells(number: str, where: str, figure: str, detail: str, *figures: str) -> Sequence[str]:
    return (*(defused(text) for text in (number, where, figure, detail)), *figures)


# --- the calendar -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DueDay:
    """One due date as the calendar shows it. `key` never changes for the same office and period."""

    key: str
    on: date
    summary: str
    description: str


def calendar_text(name: str, days: Iterable[DueDay], *, made_at: datetime, mail_domain: str) -> str:
    """Due dates as an iCalendar stream of all-day events, each with a reminder a week before.

    Source: RFC 5545 (CRLF lines folded at 75 octets; TEXT escaped; DATE values; UID, DTSTAMP); RFC 7986 (NAME, REFRESH-INTERVAL).
    """
    stamp = made_at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//coop//tax due dates//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    lines += [f"NAME:{_text(name)}", "REFRESH-INTERVAL;VALUE=DURATION:PT12H"]
    for one in days:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_text(one.key)}@{mail_domain}",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{one.on:%Y%m%d}",
            f"DTEND;VALUE=DATE:{one.on + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_text(one.summary)}",
            f"DESCRIPTION:{_text(one.description)}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{_text(one.summary)}",
            "TRIGGER:-P7D",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _text(value: str) -> str:
    """A TEXT value: backslash, semicolon, comma and line ends escaped (RFC 5545, 3.3.11); other controls left out."""
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r\n", "\\n"), ("\n", "\\n"), ("\r", "\\n")):
        value = value.replace(plain, escaped)
    return "".join(c for c in value if c >= " " and c != "\x7f")


def _folded(line: str) -> str:
    """A content line of at most 75 octets each, never split within a character (RFC 5545, 3.1)."""
    parts, part, size = [], "", 0
    for char in line:
        octets = len(char.encode("utf-8"))
        if size + octets > 75:
            parts.append(part)
            part, size = " ", 1
        part, size = part + char, size + octets
    return "\r\n".join([*parts, part])
