"""The bank's lines from OFX, 1.x (SGML, where values have no end tag) and 2.x (XML); and the books' side of the bank as OFX 2.

A small reader of its own for what a bank statement holds: it expands nothing, follows nothing and reads each byte once.
Source: the names, nesting and formats of Open Financial Exchange 2.2, sections 3 and 11 (from memory).
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

from coop.books.domain.bank_file import (
    MOST_LINES,
    FileRefusedError,
    StatementFile,
    StatementLine,
    check_number,
    plain,
    short_hash,
)
from coop.core.money import parse_cents, plain_cents

CURRENCY = "USD"
_TAG = re.compile(r"<(/?)([A-Za-z0-9.]+)\s*(/?)>([^<]*)")
_CDATA = re.compile(r"<!\[CDATA\[(.*?)\]\]>", re.DOTALL)
_ITEM = ("TRNAMT", "DTPOSTED", "FITID", "CHECKNUM", "REFNUM", "NAME", "MEMO", "CURSYM")
_GROUPS = ("STMTTRN", "LEDGERBAL", "BANKTRANLIST", "AVAILBAL", "BALLIST", "BANKACCTTO", "CCACCTTO", "BANKACCTFROM")


def is_ofx(content: bytes) -> bool:
    """Whether a file is OFX by its beginning."""
    start = content[:400].removeprefix(b"\xef\xbb\xbf").lstrip().upper()
    return start.startswith((b"OFXHEADER", b"<?OFX", b"<OFX")) or (
        start.startswith(b"<?XML") and b"OFX" in content[:2000].upper()
    )


@dataclass
class _Statement:
    """What is gathered while reading."""

    accounts: int = 0
    currency: str = ""
    span: dict[str, str] = field(default_factory=dict)
    balance: dict[str, str] = field(default_factory=dict)
    lines: list[dict[str, str]] = field(default_factory=list)


def read_ofx(content: bytes) -> StatementFile:
    """The lines of an OFX file. Raises FileRefusedError for what is no statement of one bank account, or naming each bad line."""
    found = _gathered(_body(content))
    if not found.accounts:
        raise FileRefusedError(["The file holds no statement of a bank account: download the account's transactions as OFX."])
    if found.accounts > 1:
        raise FileRefusedError([f"The file holds {found.accounts} accounts: download the lines of the co-op's account alone."])
    if found.currency and found.currency != CURRENCY:
        raise FileRefusedError([f"The account is kept in {found.currency}; the books are kept in {CURRENCY}."])
    if len(found.lines) > MOST_LINES:
        raise FileRefusedError(
            [f"The file has {len(found.lines):,} lines; bring at most {MOST_LINES:,} at a time, a year or so."]
        )
    lines: dict[str, StatementLine] = {}
    faults: list[str] = []
    for number, values in enumerate(found.lines, 1):
        try:
            line = _line(values)
            if line and lines.setdefault(line.key, line) != line:
                raise ValueError(f"has the bank's number {values['FITID']!r} of another line in this file.")
        except ValueError as fault:
            faults.append(f"Line {number} {fault}")
    if faults:
        raise FileRefusedError(faults)
    ordered = sorted(lines.values(), key=lambda line: line.on)
    return _dated(found, ordered)


def _body(content: bytes) -> str:
    if b"\0" in content:
        raise FileRefusedError(["The file holds zero bytes: it is damaged, or no OFX."])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    if re.search(r"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise FileRefusedError(["The file declares names of its own (DOCTYPE), which a bank's file does not: download it again."])
    return _CDATA.sub(lambda found: html.escape(found[1], quote=False), text)


def _gathered(text: str) -> _Statement:
    """One pass over the tags: in SGML and XML alike, a value follows its tag, and what has no value holds others."""
    found = _Statement()
    within: list[str] = []
    for closing, name, empty, value in _TAG.findall(text):
        tag, said = name.upper(), html.unescape(value).strip()
        if closing:
            if tag in within:
                del within[within.index(tag) :]
        elif tag in _GROUPS and not empty:
            within.append(tag)
            if tag == "STMTTRN":
                found.lines.append({})
        elif tag in ("STMTRS", "CCSTMTRS") and not empty:
            found.accounts += 1
        elif said and not empty:
            _take(found, within[-1] if within else "", tag, said)
    return found


def _take(found: _Statement, group: str, tag: str, said: str) -> None:
    if group == "STMTTRN" and tag in _ITEM:
        # The payee's own name and address come after the line's name, where a bank sends both.
        found.lines[-1].setdefault(tag, said)
    elif group == "LEDGERBAL":
        found.balance.setdefault(tag, said)
    elif group == "BANKTRANLIST":
        found.span.setdefault(tag, said)
    elif tag == "CURDEF":
        found.currency = said.upper()


def _line(values: dict[str, str]) -> StatementLine | None:
    """A line; None for one that moves no money. Raises ValueError with a phrase that completes `Line 7 `."""
    for tag, what in (("FITID", "number of the bank's (FITID)"), ("DTPOSTED", "day (DTPOSTED)"), ("TRNAMT", "amount (TRNAMT)")):
        if tag not in values:
            raise ValueError(f"has no {what}.")
    if values.get("CURSYM", CURRENCY).upper() != CURRENCY:
        raise ValueError(f"is in {values['CURSYM']}; the books are kept in {CURRENCY}.")
    amount = _cents(values["TRNAMT"])
    if not amount:
        return None
    name, memo = plain(values.get("NAME", "")), plain(values.get("MEMO", ""))
    words = name if memo in name else f"{name} {memo}".strip()
    number = values["FITID"]
    reference = plain(values.get("CHECKNUM", "").lstrip("0") or check_number(words) or values.get("REFNUM", ""))
    return StatementLine(
        key=f"ofx/{number}" if len(number) <= 100 and plain(number) == number else f"ofx/long/{short_hash(number)}",
        on=_day(values["DTPOSTED"]),
        amount_cents=amount,
        reference=reference[:40],
        words=words[:200],
    )


def _cents(text: str) -> int:
    """`-12.34`; a comma may stand for the point."""
    try:
        return parse_cents(re.sub(r"^([-+]?\d+),(\d{1,2})$", r"\1.\2", text.strip()))
    except ValueError as error:
        raise ValueError(f"has the amount {text!r}, which {error}.") from None


def _day(text: str) -> date:
    """`20261031120000.000[-5:EST]`: the day as the bank writes it, wherever its clock stands."""
    try:
        if re.match(r"\d{8}", text, re.ASCII):
            return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    except ValueError:
        pass
    raise ValueError(f"has the day {text!r}: it begins with year, month and day, like 20261031.")


def _dated(found: _Statement, lines: Sequence[StatementLine]) -> StatementFile:
    """The file's days and its closing balance: left out where it is said of a later day than the lines are."""
    try:
        begins, ends = (_day(found.span[tag]) if tag in found.span else None for tag in ("DTSTART", "DTEND"))
        as_of = _day(found.balance["DTASOF"]) if "DTASOF" in found.balance else None
        balance = _cents(found.balance["BALAMT"]) if as_of and "BALAMT" in found.balance else None
    except ValueError as fault:
        raise FileRefusedError([f"The statement {fault}"]) from None
    days = [line.on for line in lines]
    first = min([day for day in (*days, begins) if day], default=None)
    last = max([day for day in (*days, ends) if day], default=None)
    if first is None or last is None or not lines:
        raise FileRefusedError(["The file holds no line: choose the days and download it again."])
    if balance is None or as_of is None or as_of > last:
        return StatementFile("ofx", first, last, tuple(lines), None)
    after = sum(line.amount_cents for line in lines if line.on > as_of)
    return StatementFile("ofx", first, max(as_of, days[-1]), tuple(lines), balance + after)


# --- the books' side of the bank ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BookLine:
    """What one entry posted to the bank account."""

    entry_id: int
    on: date
    amount_cents: int
    kind: str
    check_number: str
    memo: str


@dataclass(frozen=True)
class BookStatement:
    """The bank account of the books over days, in cents."""

    first_day: date
    last_day: date
    opening_cents: int
    lines: tuple[BookLine, ...]

    @property
    def in_cents(self) -> int:
        return sum(line.amount_cents for line in self.lines if line.amount_cents > 0)

    @property
    def out_cents(self) -> int:
        return sum(line.amount_cents for line in self.lines if line.amount_cents < 0)

    @property
    def closing_cents(self) -> int:
        return self.opening_cents + self.in_cents + self.out_cents


def write_ofx(statement: BookStatement) -> Iterator[str]:
    """OFX 2.2, each line with its end. Control totals stand in the list of balances, where the format has room for named sums."""
    last = _stamp(statement.last_day)
    status = "<STATUS><CODE>0</CODE><SEVERITY>INFO</SEVERITY></STATUS>"
    yield '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
    yield '<?OFX OFXHEADER="200" VERSION="220" SECURITY="NONE" OLDFILEUID="NONE" NEWFILEUID="NONE"?>\n'
    yield f"<OFX>\n<SIGNONMSGSRSV1><SONRS>{status}<DTSERVER>{last}</DTSERVER><LANGUAGE>ENG</LANGUAGE></SONRS></SIGNONMSGSRSV1>\n"
    yield f"<BANKMSGSRSV1><STMTTRNRS><TRNUID>0</TRNUID>{status}\n<STMTRS><CURDEF>{CURRENCY}</CURDEF>\n"
    yield "<BANKACCTFROM><BANKID>0</BANKID><ACCTID>Assets:Bank</ACCTID><ACCTTYPE>CHECKING</ACCTTYPE></BANKACCTFROM>\n"
    yield f"<BANKTRANLIST><DTSTART>{_stamp(statement.first_day)}</DTSTART><DTEND>{last}</DTEND>\n"
    for line in statement.lines:
        kind = "CHECK" if line.check_number else "CREDIT" if line.amount_cents > 0 else "DEBIT"
        number = f"<CHECKNUM>{_safe(line.check_number)[:12]}</CHECKNUM>" if line.check_number else ""
        yield (
            f"<STMTTRN><TRNTYPE>{kind}</TRNTYPE><DTPOSTED>{_stamp(line.on)}</DTPOSTED>"
            f"<TRNAMT>{plain_cents(line.amount_cents)}</TRNAMT><FITID>{line.entry_id}</FITID>{number}"
            f"<NAME>{_safe(line.kind[:32])}</NAME>{f'<MEMO>{_safe(line.memo[:255])}</MEMO>' if line.memo else ''}</STMTTRN>\n"
        )
    closing = plain_cents(statement.closing_cents)
    yield f"</BANKTRANLIST>\n<LEDGERBAL><BALAMT>{closing}</BALAMT><DTASOF>{last}</DTASOF></LEDGERBAL>\n"
    yield "<BALLIST>\n"
    for name, kind, value in (
        ("Balance before", "DOLLAR", plain_cents(statement.opening_cents)),
        ("Came in", "DOLLAR", plain_cents(statement.in_cents)),
        ("Went out", "DOLLAR", plain_cents(statement.out_cents)),
        ("Lines", "NUMBER", str(len(statement.lines))),
    ):
        said = f"Control total of {statement.first_day} to {statement.last_day}"
        yield f"<BAL><NAME>{name}</NAME><DESC>{said}</DESC><BALTYPE>{kind}</BALTYPE><VALUE>{value}</VALUE></BAL>\n"
    yield "</BALLIST>\n</STMTRS></STMTTRNRS></BANKMSGSRSV1>\n</OFX>\n"


def _stamp(day: date) -> str:
    return f"{day:%Y%m%d}120000"


def _safe(text: str) -> str:
    return html.escape(plain(text), quote=False)
