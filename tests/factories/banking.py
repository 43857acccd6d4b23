"""A mall's October at the bank: what the books posted, and the bank's own files of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, equity_account, tender_account
from coop.books.banking import take_to_bank
from coop.books.domain.entries import EntryDraft
from coop.books.models import BankFile, BankItem, BankLine
from coop.books.payments import receive_payment
from coop.books.service import pay_dealer, post_entry
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from tests.factories.people import make_coop, make_dealer, make_mall

HEADING = "Posting Date,Description,Check Number,Amount,Balance"
OCTOBER_LINES = (
    "10/05/2026,DEPOSIT,,575.50,5695.50",
    "10/05/2026,CARD SETTLEMENT,,390.00,6085.50",
    "10/06/2026,CARD SETTLEMENT,,1560.00,7645.50",
    "10/06/2026,CHECK,1043,-85.00,7560.50",
    "10/07/2026,CHECK,1041,-2100.00,5460.50",
    "10/08/2026,CORRECTION OF OUR ERROR,,2100.00,7560.50",
    "10/08/2026,CHECK,1041,-210.00,7350.50",
    "10/09/2026,CHECK,1042,-85.00,7265.50",
    "10/12/2026,SERVICE CHARGE,,-12.00,7253.50",
    "10/13/2026,CHECK,1038,-120.00,7133.50",
    "10/14/2026,RETURNED ITEM AND FEE,,-160.00,6973.50",
    "10/15/2026,INCOMING TRANSFER,,33.33,7006.83",
    "10/21/2026,DEPOSIT,,200.00,7206.83",
    "10/22/2026,DEPOSIT,,200.00,7406.83",
    "10/27/2026,ELDER CITY POWER,,-64.20,7342.63",
    "10/31/2026,INTEREST PAID,,1.07,7343.70",
)


def csv_file(*lines: str) -> bytes:
    return "\r\n".join([HEADING, *lines, ""]).encode()


FIRST_HALF, SECOND_HALF = csv_file(*OCTOBER_LINES[:12]), csv_file(*OCTOBER_LINES[9:])
"""Three lines are in both."""


def october(day: int) -> date:
    return date(2026, 10, day)


@dataclass
class Banking:
    """What was posted, with entry ids by what a person calls them."""

    session: Session
    now: datetime
    mall: Mall
    dealers: dict[str, Dealer]
    entries: dict[str, int] = field(default_factory=dict)

    def line(self, day: int, cents: int) -> int:
        """The id of October's line of a day and amount."""
        wanted = select(BankLine.id).where(BankLine.on == october(day), BankLine.amount_cents == cents)
        return self.session.scalars(wanted).one()


def begin_banking(session: Session, now: datetime) -> Banking:
    """A co-op with a mall and three dealers, begun from paper.

    The books say 5,000.00 is at the bank. Check 1038 of 120.00 is not cashed yet, so the bank says 5,120.00.
    """
    make_coop(session, now)
    dealers = {code: make_dealer(session, now, code) for code in ("D01", "D02", "D03")}
    made = Banking(session, now, make_mall(session, now), dealers)
    open_from_paper(session, now, 5000_00, check="1038", check_cents=120_00)
    return made


def open_from_paper(session: Session, now: datetime, cents: int, *, check: str, check_cents: int) -> int:
    draft = EntryDraft(
        mall_id=None,
        business_date=date(2026, 9, 30),
        kind="opening",
        source_kind="opening",
        source_id="paper",
        purpose="opening",
        postings=((bank_account(session), cents), (equity_account(session, "From-paper"), -cents)),
        memo="Balances from paper",
    )
    entry_id = post_entry(session, now, draft)
    words = f"check {check}, not cashed yet"
    session.add(BankItem(entry_id=entry_id, on=date(2026, 9, 21), amount_cents=-check_cents, reference=check, words=words))
    session.flush()
    return entry_id


def post_october(made: Banking) -> None:
    """Five payouts by check, a payment by check, four deposits in three trips, three days of cards."""
    session, now, mall = made.session, made.now, made.mall
    for code, check, day, cents in (
        ("D01", "1041", 2, 210_00),
        ("D02", "1042", 2, 85_00),
        ("D03", "1043", 2, 85_00),
        ("D01", "1045", 30, 60_00),
    ):
        made.entries[check] = pay_dealer(
            session, now, mall, made.dealers[code], amount_cents=cents, on=october(day), reference=check
        )
    made.entries["payment"] = receive_payment(
        session, now, mall, made.dealers["D02"], amount_cents=150_00, paid_by="check", on=october(3), reference="771"
    )
    for reference, day, cash, checks, drawer in (
        ("S-1", 3, 300_00, 150_00, ""),
        ("S-2", 3, 125_50, 0, "Desk 2"),
        ("S-3", 19, 200_00, 0, ""),
        ("S-4", 20, 200_00, 0, ""),
    ):
        made.entries[reference] = take_to_bank(session, now, mall, october(day), cash, checks, reference, drawer)
    for day, cents in ((2, 400_00), (3, 900_00), (4, 700_00)):
        sell_by_card(session, now, mall, made.dealers["D01"], cents, october(day))


def sell_by_card(session: Session, now: datetime, mall: Mall, dealer: Dealer, cents: int, on: date) -> int:
    draft = EntryDraft(
        mall_id=mall.id,
        business_date=on,
        kind="sale",
        source_kind="ticket",
        source_id=f"cards/{on}",
        purpose="sale",
        postings=((tender_account(session, mall, "card"), cents), (dealer_account(session, mall, dealer), -cents)),
    )
    return post_entry(session, now, draft)


def add_bank_lines(session: Session, now: datetime) -> None:
    """Three lines of the first days of November, of which the books know nothing yet."""
    file = BankFile(
        kind="csv",
        file_name="november.csv",
        file_sha256="ab" * 32,
        first_day=date(2026, 11, 1),
        last_day=date(2026, 11, 2),
        lines=3,
        lines_here=0,
        closing_cents=1213_00,
        read_at=now,
    )
    session.add(file)
    session.flush()
    for n, (words, cents) in enumerate((("SERVICE CHARGE", -12_00), ("DEPOSIT", 125_00), ("TRANSFER", 100_00)), 1):
        session.add(BankLine(file_id=file.id, key=f"csv/november/{n}", on=date(2026, 11, 2), amount_cents=cents, words=words))
    session.flush()
