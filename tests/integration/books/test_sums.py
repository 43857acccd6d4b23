"""Sums of accounts: what closed months are remembered to come to is what adding everything up says, on every day."""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta

from sqlalchemy import event, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, ensure_account, income_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.domain.tree import AccountSum
from coop.books.models import Account, Entry, Posting
from coop.books.service import ensure_period, post_entries
from coop.books.sums import Whose, account_sums, balances_before
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.floor.models import Mall
from tests.factories.books import bank_charge, shut
from tests.factories.people import make_coop, make_dealer, make_mall

BEGIN = date(2025, 11, 10)
SPANS = [
    (date(2025, 11, 1), date(2025, 11, 30)),
    (date(2025, 12, 1), date(2025, 12, 31)),
    (date(2026, 1, 1), date(2026, 1, 31)),
    (date(2026, 1, 1), date(2026, 1, 9)),
    (date(2026, 2, 1), date(2026, 2, 28)),
    (date(2026, 1, 12), date(2026, 2, 20)),
    (date(2025, 10, 1), date(2025, 10, 31)),
]


def added_up(session: Session, first: date, last: date, whose: Whose) -> list[AccountSum]:
    """The same by adding up every posting here, one by one."""
    found: dict[str, list[int]] = {}
    kinds: dict[str, str] = {}
    rows = session.execute(
        select(Account.path, Account.kind, Entry.business_date, Entry.mall_id, Posting.amount_cents)
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Entry.business_date <= last)
    )
    for path, kind, on, mall_id, cents in rows:
        if (whose.own and mall_id is not None) or (whose.mall is not None and mall_id != whose.mall.id):
            continue
        sums = found.setdefault(path, [0, 0, 0, 0])
        kinds[path] = kind
        sums[0] += cents if on < first else 0
        sums[1] += cents if on >= first and cents > 0 else 0
        sums[2] -= cents if on >= first and cents < 0 else 0
        sums[3] += cents if on < date(last.year, 1, 1) else 0
    return [AccountSum(path, s[0], s[1], s[2], kinds[path] == "dealer", s[3]) for path, s in sorted(found.items())]


def _lay_out(session: Session, now: datetime) -> tuple[Mall, Mall]:
    """A hundred and forty days of two malls and the co-op; three months of MAIN are closed."""
    chance = random.Random(7)
    make_coop(session, now)
    main, east = make_mall(session, now, "MAIN"), make_mall(session, now, "EAST")
    ida = make_dealer(session, now, "D01")
    drafts = [bank_charge(session, 3_00 + n, BEGIN + timedelta(days=n), str(n)) for n in range(0, 110, 9)]
    for n in range(110):
        mall = chance.choice((main, east))
        accounts = [
            tender_account(session, mall, "cash"),
            dealer_account(session, mall, ida),
            income_account(session, mall, "Fees"),
            bank_account(session),
            ensure_account(session, f"Expenses:Heating:{mall.code}", "expense", mall_id=mall.id),
        ]
        up, down = chance.sample(accounts, 2)
        cents = chance.randint(1, 50_00)
        postings = ((up, cents), (down, -cents))
        drafts.append(EntryDraft(mall.id, BEGIN + timedelta(days=n), "fee", "test", str(n), "fee", postings))
    post_entries(session, now, drafts)
    for month in (Month(2025, 11), Month(2025, 12), Month(2026, 1)):
        shut(session, now, ensure_period(session, main.id, month))
    return main, east


def test_what_is_remembered_is_what_adding_up_says(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        main, east = _lay_out(session, now)
    with transaction(sessions) as session:
        for _ in range(2):  # The second time from what is remembered.
            for whose in (Whose(), Whose(main), Whose(east), Whose(own=True)):
                for first, last in SPANS:
                    assert account_sums(session, first, last, whose=whose) == added_up(session, first, last, whose)


def test_a_closed_month_is_added_up_once(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        main, _east = _lay_out(session, now)
    asked: list[str] = []
    with transaction(sessions) as session:
        event.listen(session.get_bind(), "before_cursor_execute", lambda *args: asked.append(args[2]))
        for _ in range(2):
            account_sums(session, date(2025, 12, 1), date(2025, 12, 31), whose=Whose(main))
    assert sum("posting" in statement for statement in asked) == 1


def test_what_was_added_up_in_vain_is_not_remembered(sessions: Sessions, now: datetime) -> None:
    """A closing that was rolled back, more posted, and closed again at the same moment."""
    with transaction(sessions) as session:
        main, _east = _lay_out(session, now)
        ida = dealer_account(session, main, make_dealer(session, now, "D02"))
    february = Month(2026, 2)
    for cents in (5_00, 7_00):
        with sessions() as session:
            postings = ((ida, cents), (bank_account(session), -cents))
            draft = EntryDraft(main.id, february.first_day, "fee", "test", "in vain", "fee", postings)
            post_entries(session, now, [draft])
            shut(session, now, ensure_period(session, main.id, february))
            assert balances_before(session, february.next.first_day)[ida] == cents
            session.rollback()
