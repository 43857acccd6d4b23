"""The ledger as text for other programs: Beancount 3, the journal of hledger and ledger, CSV. Pure; written entry by entry.

Each begins with its period and control totals and ends with every account's balance, which the program that reads it checks to
the cent. A month's begins with one opening entry: what assets, liabilities and equity stood at, and in Equity:Opening what income
and expenses came to before, which begin the month at zero.

Sources: the Beancount language syntax (balance assertions are of the day's beginning and of the accounts below, too; their
tolerance is written as zero, because two decimals alone would let a cent pass) and the hledger manual (assertions are of the
account alone).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from coop.core.csv_text import defused
from coop.core.money import plain_cents

ROOTS = ("Assets", "Liabilities", "Income", "Expenses", "Equity")
OPENING = "Equity:Opening"
CURRENCY = "USD"
HEADING = (
    *("row", "date", "entry", "mall", "kind", "source", "source_id", "purpose", "reverses", "memo"),
    *("account", "amount", "figure"),
)


@dataclass(frozen=True)
class ExportEntry:
    """An entry with its postings: (account path, cents), debit positive, in the order posted."""

    id: int
    business_date: date
    mall: str
    """The mall's code; empty for the co-op's own."""
    kind: str
    source_kind: str
    source_id: str
    purpose: str
    reverses_id: int | None
    memo: str
    postings: Sequence[tuple[str, int]]


@dataclass(frozen=True)
class LedgerHead:
    """What an export says of itself. All sums in cents, debit positive, by account path."""

    first_day: date
    last_day: date
    """The last day of the period; of a whole ledger, that of its last entry."""
    scope: str
    """Whose entries: `the whole co-op`, or `mall MAIN`."""
    entries: int
    postings: int
    debits_cents: int
    """These three count the period's own entries, without the opening one."""
    opening: Mapping[str, int]
    """What an opening entry brings in; it sums to zero. Empty when nothing was before."""
    closing: Mapping[str, int]
    """The balance of every account of the file at its end: of the opening and the entries together."""

    @property
    def roots(self) -> dict[str, int]:
        """The balance of each of the five roots, in cents."""
        sums = dict.fromkeys(ROOTS, 0)
        for path, amount in self.closing.items():
            sums[path.partition(":")[0]] += amount
        return sums

    @property
    def figures(self) -> list[tuple[str, str]]:
        """The control totals, as (what, figure)."""
        counts = [("entries", str(self.entries)), ("postings", str(self.postings)), ("debits", plain_cents(self.debits_cents))]
        return counts + [(f"balance of {root}", plain_cents(amount)) for root, amount in self.roots.items()]

    @property
    def sentences(self) -> list[str]:
        """Period, whose entries, and control totals, a line each."""
        lines = [f"Period: {self.first_day} to {self.last_day}", f"Entries of: {self.scope}"]
        if self.opening:
            lines.append(f"Income and expenses begin at zero: what they came to before is in {OPENING}")
        return lines + [f"Control total, {what}: {figure}" for what, figure in self.figures]


def opening_of(before: Mapping[str, int]) -> dict[str, int]:
    """The opening entry of balances before a period, both in cents by path: income and expenses go into Equity:Opening.

    A balance of zero brings nothing in. What comes out sums to what came in: to zero, when that did.
    """
    opening: dict[str, int] = {}
    for path, amount in before.items():
        kept = OPENING if path.partition(":")[0] in ("Income", "Expenses") else path
        opening[kept] = opening.get(kept, 0) + amount
    return {path: amount for path, amount in sorted(opening.items()) if amount}


def legal_account(path: str) -> str:
    """An account's path as Beancount and hledger both read it; two paths never come out as one.

    Each part below the root is ASCII letters, digits and single hyphens between them, and begins with a capital or a digit:
    such a part stays as it is (`Card-clearing`, `US-TX`, `D01`). Any other character, and a hyphen that does not stand between
    two kept letters or digits, becomes `--` its code point in hex `-`; and a part that cannot begin as it does is led by `X---`.
    `St. Ives` is `St--2E---20-Ives`, `bank` is `X---bank`. It can be read back from the left, so it is one to one: a single
    hyphen is always followed by a letter or digit, `--` always by hex and a hyphen, and `X---` begins nothing else.

    Raises ValueError for a path that does not lie below one of the five roots: a fault of the program.
    """
    root, *parts = path.split(":")
    if root not in ROOTS or not parts:
        raise ValueError(f"the account {path!r} is not below one of {', '.join(ROOTS)}")
    return ":".join([root, *map(_legal_part, parts)])


def _legal_part(part: str) -> str:
    escaped = re.sub(r"(?<![A-Za-z0-9])-|-(?![A-Za-z0-9])|[^A-Za-z0-9-]", lambda found: f"--{ord(found.group()):X}-", part)
    return escaped if re.match(r"[A-Z0-9]", escaped) else f"X---{escaped}"


# --- Beancount ----------------------------------------------------------------------------------------------------------


def beancount(head: LedgerHead, entries: Iterable[ExportEntry]) -> Iterator[str]:
    """The lines, each with its end."""
    names = {path: legal_account(path) for path in sorted(head.closing)}
    yield from (f"; {line}\n" for line in head.sentences)
    yield f'\noption "title" "Ledger of {head.scope}"\noption "operating_currency" "{CURRENCY}"\n\n'
    yield from (f"{head.first_day} open {name} {CURRENCY}\n" for name in names.values())
    if head.opening:
        yield f'\n{head.first_day} * "opening" "Balances before {head.first_day}"\n'
        yield from (f"  {names[path]}  {plain_cents(amount)} {CURRENCY}\n" for path, amount in head.opening.items())
    for entry in entries:
        yield f"\n{entry.business_date} * {_quoted(entry.kind)} {_quoted(entry.memo)}\n"
        yield f"  entry: {_quoted(str(entry.id))}\n"
        yield f"  source: {_quoted(f'{entry.source_kind} {entry.source_id} {entry.purpose}')}\n"
        if entry.mall:
            yield f"  mall: {_quoted(entry.mall)}\n"
        if entry.reverses_id is not None:
            yield f"  reverses: {_quoted(str(entry.reverses_id))}\n"
        yield from (f"  {names[path]}  {plain_cents(amount)} {CURRENCY}\n" for path, amount in entry.postings)
    yield "\n"
    after = head.last_day + timedelta(days=1)
    below = _with_what_is_below(head.closing)
    yield from (f"{after} balance {name}  {plain_cents(below[path])} ~ 0.00 {CURRENCY}\n" for path, name in names.items())


def _with_what_is_below(closing: Mapping[str, int]) -> dict[str, int]:
    """Each account's balance with those of the accounts below it."""
    sums = dict.fromkeys(closing, 0)
    for path, amount in closing.items():
        parts = path.split(":")
        for length in range(1, len(parts) + 1):
            above = ":".join(parts[:length])
            if above in sums:
                sums[above] += amount
    return sums


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{_one_line(escaped)}"'


# --- journal ------------------------------------------------------------------------------------------------------------


def journal(head: LedgerHead, entries: Iterable[ExportEntry]) -> Iterator[str]:
    """The lines, each with its end.

    An entry's kind, memo and source stand in its description, never in a comment, where both programs would look for tags and
    dates; a semicolon, which would begin a comment, is written as a comma.
    """
    names = {path: legal_account(path) for path in sorted(head.closing)}
    yield from (f"; {line}\n" for line in head.sentences)
    yield f"\ncommodity {CURRENCY}\n    format 1000.00 {CURRENCY}\n\n"
    yield from (f"account {name}\n" for name in names.values())
    if head.opening:
        yield f"\n{head.first_day} * opening | Balances before {head.first_day}\n"
        yield from (f"    {names[path]}  {plain_cents(amount)} {CURRENCY}\n" for path, amount in head.opening.items())
    for entry in entries:
        source = f"{entry.source_kind} {entry.source_id} {entry.purpose}"
        at = f" at {entry.mall}" if entry.mall else ""
        again = f", reverses {entry.reverses_id}" if entry.reverses_id is not None else ""
        said = f"{entry.kind} | {entry.memo} [{source}{at}{again}]"
        yield f"\n{entry.business_date} * ({entry.id}) {' '.join(_one_line(said).replace(';', ',').split())}\n"
        yield from (f"    {names[path]}  {plain_cents(amount)} {CURRENCY}\n" for path, amount in entry.postings)
    if names:
        yield f"\n{head.last_day} * closing | Balances on {head.last_day}\n"
        yield from (
            f"    {name}  0.00 {CURRENCY} = {plain_cents(head.closing[path])} {CURRENCY}\n" for path, name in names.items()
        )


# --- CSV ----------------------------------------------------------------------------------------------------------------


def csv_rows(head: LedgerHead, entries: Iterable[ExportEntry]) -> Iterator[str]:
    """The lines, each with its end (RFC 4180), under HEADING.

    A row is a `posting`, or a posting of the `opening`: these alone have an amount, so the column sums to zero. Rows `period`,
    `total` and `balance` (of an account at the end) say theirs under `figure`. Accounts are named as in the ledger.
    """
    yield _csv_line(HEADING)
    blank = [""] * 9
    yield _csv_line(["period", *blank, head.scope, "", f"{head.first_day} to {head.last_day}"])
    for what, figure in head.figures:
        yield _csv_line(["total", *blank, what, "", figure])
    for path, amount in head.opening.items():
        yield _csv_line(["opening", str(head.first_day), *blank[1:], defused(path), plain_cents(amount), ""])
    for entry in entries:
        typed = (entry.mall, entry.kind, entry.source_kind, entry.source_id, entry.purpose)
        reverses = str(entry.reverses_id or "")
        row = [str(entry.business_date), str(entry.id), *map(defused, typed), reverses, defused(entry.memo)]
        for path, amount in entry.postings:
            yield _csv_line(["posting", *row, defused(path), plain_cents(amount), ""])
    for path, amount in sorted(head.closing.items()):
        yield _csv_line(["balance", str(head.last_day), *blank[1:], defused(path), "", plain_cents(amount)])


def _csv_line(row: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(row)
    return out.getvalue()


WRITERS: dict[str, Callable[[LedgerHead, Iterable[ExportEntry]], Iterator[str]]] = {
    "beancount": beancount,
    "journal": journal,
    "csv": csv_rows,
}


def _one_line(text: str) -> str:
    """Control characters and line ends, of any kind, as spaces."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]", " ", text)
