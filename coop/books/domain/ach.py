"""A file of transfers in the form of the Nacha rules, written from values: what the co-op's bank takes to pay dealers.

Ninety-four characters a record, records in blocks of ten: a file header, batches (PPD to persons, CCD to businesses) each with
its header, entries and control, a file control, and fillers of nines. Source of the layout: Nacha Operating Rules, appendix on
file exchange specifications (from memory; the tests check each file with a program that is not ours).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache

import holidays
from stdnum.us import rtn

from coop.core.money import format_dollars

RECORD = 94
BLOCK = 10
CODES = {"person": "PPD", "business": "CCD"}
"""Standard entry class by who holds the account."""
CREDITS = {"checking": 22, "savings": 32}
DEBITS = {"checking": 27, "savings": 37}
"""Transaction codes by kind of account."""
MOST_CENTS = 10**10 - 1
"""Of one entry: ten digits."""
_MOST_TOTAL = 10**12 - 1
_ACCOUNT = re.compile(r"\d{4,17}", re.ASCII)


class AchError(ValueError):
    """Something the bank would send back; the message is a sentence for a person, with the mend."""


@dataclass(frozen=True)
class Origin:
    """Where the file comes from, as the co-op's bank gave it.

    `own_account` is the co-op's own, for a bank that wants the debit of it in the file (a balanced one); empty where it does not.
    """

    bank_routing: str
    bank_name: str
    company_id: str
    company_name: str
    own_account: str = ""
    own_account_kind: str = "checking"

    def __post_init__(self) -> None:
        require_routing(self.bank_routing, "The co-op's bank")
        for what, text, most in (
            ("name of the co-op's bank", self.bank_name, 23),
            ("company number the bank gave", self.company_id, 10),
            ("company name", self.company_name, 16),
        ):
            if not plain(text):
                raise AchError(f"The {what} is empty: write it as the bank has it.")
            if len(plain(text)) > most:
                raise AchError(f"The {what} has {len(plain(text))} characters: {most} is the most in a bank file.")
        if self.own_account:
            require_account(self.own_account, self.own_account_kind, "The co-op's account")


@dataclass(frozen=True)
class Credit:
    """One dealer's money: whose (a code), the account's holder and numbers, and how much."""

    receiver: str
    name: str
    holder: str
    """`person` or `business`."""
    routing: str
    account: str
    account_kind: str
    """`checking` or `savings`."""
    amount_cents: int

    def __post_init__(self) -> None:
        if not 0 < len(plain(self.receiver)) <= 15:
            raise AchError(f"The code {self.receiver!r} does not fit a bank file: it has 1 to 15 letters and digits there.")
        if self.holder not in CODES:
            raise AchError(f"{self.receiver}: the account is a person's or a business's, not {self.holder!r}.")
        require_routing(self.routing, self.receiver)
        require_account(self.account, self.account_kind, self.receiver)
        if not 0 < self.amount_cents <= MOST_CENTS:
            raise AchError(
                f"{self.receiver}: {format_dollars(self.amount_cents)} cannot be one transfer; one is above zero and at most "
                f"{format_dollars(MOST_CENTS)}."
            )


@dataclass(frozen=True)
class Batch:
    """Credits of one standard entry class."""

    sec: str
    credits: tuple[Credit, ...]

    def __post_init__(self) -> None:
        if not self.credits:
            raise AchError(f"The {self.sec} batch pays nobody.")
        wrong = [credit.receiver for credit in self.credits if CODES[credit.holder] != self.sec]
        if wrong:
            raise AchError(f"{', '.join(wrong)} cannot be in a {self.sec} batch: PPD is for persons, CCD for businesses.")


def batches_of(credits: Iterable[Credit]) -> tuple[Batch, ...]:
    """Persons' credits in one batch, businesses' in another, each in the order given."""
    every = tuple(credits)
    parts = ((sec, tuple(credit for credit in every if CODES[credit.holder] == sec)) for sec in CODES.values())
    return tuple(Batch(sec, part) for sec, part in parts if part)


def trace_numbers(origin: Origin, batches: Sequence[Batch]) -> dict[str, str]:
    """Each receiver's trace number in the file: by it the bank names a transfer that comes back.

    Refuses a receiver who is there twice."""
    numbers: dict[str, str] = {}
    for batch, first in _numbered(origin, batches):
        for place, credit in enumerate(batch.credits):
            if credit.receiver in numbers:
                raise AchError(f"{credit.receiver} is in the file twice: one payout is one transfer.")
            numbers[credit.receiver] = _trace(origin, first + place)
    return numbers


def ach_file(
    origin: Origin,
    batches: Sequence[Batch],
    *,
    pay_on: date,
    made_at: datetime,
    modifier: str = "A",
    words: str = "PAYOUT",
) -> str:
    """The file. `pay_on` is the day the money is to arrive, a banking day; `made_at` is the moment by the co-op's own clock.

    `modifier` tells files of one day apart (A to Z, 0 to 9). Raises AchError.
    """
    if not batches:
        raise AchError("There is nobody to pay by bank transfer: a file has at least one entry.")
    if not is_banking_day(pay_on):
        raise AchError(f"{pay_on} is no banking day: choose {banking_day(pay_on)}, the next one.")
    if not re.fullmatch(r"[A-Z0-9]", modifier):
        raise AchError(f"The file's letter is {modifier!r}: it is one of A to Z or 0 to 9.")
    trace_numbers(origin, batches)
    records = [_file_header(origin, made_at, modifier)]
    totals = []
    for number, (batch, first) in enumerate(_numbered(origin, batches), 1):
        made, total = _batch(origin, batch, number, first, pay_on, words)
        records += made
        totals.append(total)
    records.append(_file_control(totals, len(records) + 1))
    records += ["9" * RECORD] * (-len(records) % BLOCK)
    assert all(len(record) == RECORD for record in records)
    return "".join(f"{record}\n" for record in records)


# --- what may stand in it -----------------------------------------------------------------------------------------------


def require_routing(number: str, whose: str) -> None:
    """Refuse a bank's routing number that is not nine digits whose last checks the others (3-7-1)."""
    if len(number) != 9 or not (number.isascii() and number.isdigit()):
        raise AchError(f"{whose}: the routing number has nine digits, as at the bottom left of a check.")
    if not rtn.is_valid(number):
        raise AchError(f"{whose}: a digit of the routing number is wrong, for its last digit does not check the others.")


def require_account(number: str, kind: str, whose: str) -> None:
    if not _ACCOUNT.fullmatch(number):
        raise AchError(f"{whose}: the account number has 4 to 17 digits, without spaces or dashes.")
    if kind not in CREDITS:
        raise AchError(f"{whose}: the account is a {' or a '.join(CREDITS)} account, not {kind!r}.")


def plain(text: str) -> str:
    """Text as a bank file takes it: upper case, without accents, all else than letters, digits and a few marks as spaces."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join("".join(c if c.isascii() and (c.isalnum() or c in "&'-./") else " " for c in bare.upper()).split())


def is_banking_day(day: date) -> bool:
    """Whether the Federal Reserve moves money: no Saturday, no Sunday, no holiday of its.

    Its holidays are the federal ones; one on a Sunday is kept on the Monday after, one on a Saturday not at all (source: the
    Federal Reserve Banks' holiday schedule, from memory).
    """
    if day.weekday() >= 5 or day in _federal(day.year):
        return False
    return not (day.weekday() == 0 and day - timedelta(days=1) in _federal((day - timedelta(days=1)).year))


def banking_day(day: date) -> date:
    """The day itself, or the next banking day after it."""
    while not is_banking_day(day):
        day += timedelta(days=1)
    return day


@lru_cache(maxsize=64)
def _federal(year: int) -> frozenset[date]:
    return frozenset(holidays.country_holidays("US", years=year, observed=False))


# --- records ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Total:
    entries: int
    routings: int
    """Sum of the first eight digits of every entry's routing number."""
    debit_cents: int
    credit_cents: int

    @property
    def text(self) -> str:
        """Count apart, as both controls have it: hash, debits, credits."""
        if max(self.debit_cents, self.credit_cents) > _MOST_TOTAL:
            raise AchError(f"The file pays more than {format_dollars(_MOST_TOTAL)}: make two.")
        # Of a sum too long for its field the last ten digits count.
        return f"{self.routings % 10**10:010d}{self.debit_cents:012d}{self.credit_cents:012d}"


def _numbered(origin: Origin, batches: Sequence[Batch]) -> Iterator[tuple[Batch, int]]:
    """Each batch with the number of its first entry: numbers rise through the whole file."""
    first = 1
    for batch in batches:
        yield batch, first
        first += len(batch.credits) + bool(origin.own_account)


def _trace(origin: Origin, number: int) -> str:
    if number > 9_999_999:
        raise AchError("The file has more than 9,999,999 entries: make two.")
    return f"{origin.bank_routing[:8]}{number:07d}"


def _left(text: str, width: int) -> str:
    return plain(text)[:width].ljust(width)


def _file_header(origin: Origin, made_at: datetime, modifier: str) -> str:
    return (
        f"101 {origin.bank_routing}{plain(origin.company_id):>10}{made_at:%y%m%d%H%M}{modifier}{RECORD:03d}{BLOCK}1"
        f"{_left(origin.bank_name, 23)}{_left(origin.company_name, 23)}{'':8}"
    )


def _batch(origin: Origin, batch: Batch, number: int, first: int, pay_on: date, words: str) -> tuple[list[str], _Total]:
    """A batch's records, and what its control says. Balanced, the debit of the co-op's own account is its last entry."""
    service = 200 if origin.own_account else 220
    company = f"{plain(origin.company_id):<10}"
    ends = f"{origin.bank_routing[:8]}{number:07d}"
    records = [
        f"5{service}{_left(origin.company_name, 16)}{'':20}{company}{batch.sec}{_left(words, 10)}{'':6}{pay_on:%y%m%d}   1{ends}"
    ]
    for place, credit in enumerate(batch.credits):
        records.append(
            _entry(
                CREDITS[credit.account_kind],
                credit.routing,
                credit.account,
                credit.amount_cents,
                credit.receiver,
                # A name in another script leaves nothing the file could hold: the code says who it is.
                plain(credit.name) or credit.receiver,
                _trace(origin, first + place),
            )
        )
    paid = sum(credit.amount_cents for credit in batch.credits)
    routings = [credit.routing for credit in batch.credits]
    if origin.own_account:
        if paid > MOST_CENTS:
            raise AchError(f"The {batch.sec} batch pays {format_dollars(paid)}, more than one debit can be: make two files.")
        kind, trace = DEBITS[origin.own_account_kind], _trace(origin, first + len(batch.credits))
        own = (origin.bank_routing, origin.own_account, paid, origin.company_id, origin.company_name)
        records.append(_entry(kind, *own, trace))
        routings.append(origin.bank_routing)
    total = _Total(
        entries=len(routings),
        routings=sum(int(routing[:8]) for routing in routings),
        debit_cents=paid if origin.own_account else 0,
        credit_cents=paid,
    )
    records.append(f"8{service}{total.entries:06d}{total.text}{company}{'':19}{'':6}{ends}")
    return records, total


def _entry(code: int, routing: str, account: str, cents: int, receiver: str, name: str, trace: str) -> str:
    return f"6{code}{routing}{account:<17}{cents:010d}{_left(receiver, 15)}{_left(name, 22)}  0{trace}"


def _file_control(totals: Sequence[_Total], records: int) -> str:
    every = _Total(
        entries=sum(total.entries for total in totals),
        routings=sum(total.routings for total in totals),
        debit_cents=sum(total.debit_cents for total in totals),
        credit_cents=sum(total.credit_cents for total in totals),
    )
    return f"9{len(totals):06d}{-(-records // BLOCK):06d}{every.entries:08d}{every.text}{'':39}"
