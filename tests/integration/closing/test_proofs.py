"""What `coop check` holds against the ledger, each list and account shown to differ by what no service would do."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, expense_account, stale_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.service import post_entry
from coop.cli.machine import BOOKS
from coop.core.db import Sessions, transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.models import Patronage, PatronageShare
from coop.sales.models import DrawerCount
from tests.factories.people import make_coop, make_dealer, make_mall

DAY = date(2026, 11, 2)


def _post(session: Session, now: datetime, source: str, *postings: tuple[int, int]) -> int:
    mall = session.scalars(select(Mall)).one()
    draft = EntryDraft(mall.id, DAY, "odd", source, "99", "odd", postings)
    return post_entry(session, now, draft)


def stale(session: Session, now: datetime, mall: Mall) -> None:
    _post(session, now, "odd", (stale_account(session, mall), -5_00), (bank_account(session), 5_00))


def uncounted(session: Session, now: datetime, mall: Mall) -> None:
    over = ((tender_account(session, mall, "cash"), 2_00), (expense_account(session, mall, "Over-short"), -2_00))
    _post(session, now, "drawer count", *over)


def counted(session: Session, now: datetime, mall: Mall) -> None:
    entry = _post(session, now, "odd", (tender_account(session, mall, "cash"), 1_99), (bank_account(session), -1_99))
    count = {"key": "k", "drawer": "", "on": DAY, "expected_cents": 0, "counted_cents": 2_00, "note": "", "counted_at": now}
    session.add(DrawerCount(mall_id=mall.id, entry_id=entry, **count))


def by_hand(session: Session, now: datetime, mall: Mall) -> None:
    _post(session, now, "journal", (expense_account(session, mall, "Write-offs"), 3_00), (bank_account(session), -3_00))


def shared(session: Session, now: datetime, mall: Mall) -> None:
    """A cent too little kept as her equity, and a cent too much paid."""
    dealer = session.scalars(select(Dealer)).one()
    terms = {"year": 2025, "surplus_cents": 1_00, "cash_percent": Decimal(30), "on": DAY, "made_at": now, "state": "posted"}
    patronage = Patronage(**terms, totals={}, approved_at=now)
    session.add(patronage)
    session.flush()
    parts = {"business_cents": 1_00, "share_cents": 1_00, "cash_cents": 30, "retained_cents": 70}
    session.add(PatronageShare(patronage_id=patronage.id, dealer_id=dealer.id, mall_id=mall.id, **parts))


@pytest.mark.parametrize(
    ("spoil", "what", "said"),
    [
        (stale, "checks never cashed", ["At MAIN checks never cashed are $0.00, and $5.00 in the ledger."]),
        (uncounted, "counts of drawers", ["Entry 1 is of a count of a drawer, and there is none."]),
        (counted, "counts of drawers", ["Count 1 of Nov 2, 2026 is $2.00 over; its entry moves $1.99."]),
        (by_hand, "entries by hand", ["Entry 1 was made by hand, and is not what was entered."]),
        (
            shared,
            "shared surpluses",
            [
                "D01's share of 2025 is $0.30 in cash, and $0.00 is in the ledger.",
                "D01's share of 2025 is $0.70 kept as equity, and $0.00 is in the ledger.",
            ],
        ),
    ],
)
def test_a_list_that_is_not_its_account_is_said(
    sessions: Sessions, now: datetime, spoil: Callable[[Session, datetime, Mall], None], what: str, said: list[str]
) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        make_dealer(session, now)
        assert {name: faults for name, check in BOOKS if (faults := check(session))} == {}
        spoil(session, now, mall)
    with transaction(sessions) as session:
        assert {name: faults for name, check in BOOKS if (faults := check(session))} == {f"{what} against the ledger": said}
