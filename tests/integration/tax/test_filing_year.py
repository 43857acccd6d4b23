"""A year of any tickets: its returns, amended ones among them, add up to the books, whatever came back and whatever came late."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select, true
from sqlalchemy.orm import Session

from coop.books.checking import check_trial_balance
from coop.books.models import Account, Entry, Posting
from coop.books.service import close_period, ensure_period, lock_period
from coop.core.db import Sessions
from coop.core.periods import Month
from coop.tax import filing
from coop.tax.domain.returns import FilingPeriod
from coop.tax.domain.ticket import TicketTax
from coop.tax.models import TaxCharged, TaxReturn
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, make_filer, setting

NOW = datetime(2027, 3, 1, 15, 0, tzinfo=UTC)

Sold = tuple[int, int, int | None, str, int]
"""Day of the year, cents, dealer, what became of it, days until it came back."""

tickets = st.lists(
    st.tuples(
        st.integers(0, 364),
        st.integers(0, 200_000),
        st.sampled_from((None, 0, 1)),
        st.sampled_from(("sale", "sale and back", "late")),
        st.integers(1, 60),
    ),
    max_size=12,
)


def movements(session: Session, *kinds: str) -> dict[str, int]:
    """What these kinds of entry (none: all) gave to and took from each tax account, and from all of them together."""
    rows = (
        select(Account.path, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "tax", Entry.source_kind.in_(kinds) if kinds else true())
        .group_by(Account.path)
    )
    sums = {path: int(amount) for path, amount in session.execute(rows)}
    return sums | {"all": sum(sums.values())}


def _owed_by_the_co_op(session: Session, owed_by: str) -> int:
    """The year's tax by its rows alone: all of it, or only that of sales without a dealer."""
    whose = TaxCharged.dealer_id.is_(None) if owed_by == "dealer" else true()
    return int(session.scalar(select(func.coalesce(func.sum(TaxCharged.amount_cents), 0)).where(whose)) or 0)


@pytest.mark.parametrize("owed_by", ["coop", "dealer"])
@given(year=tickets)
@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_years_returns_add_up_to_the_books(sessions: Sessions, owed_by: str, year: list[Sold]) -> None:
    with sessions() as session:
        _year(session, owed_by, year)
        # Sold, passed to dealers, filed and amended: nothing is left on any tax account.
        assert {path: cents for path, cents in movements(session).items() if cents} == {}
        returns = [filing.read_return(filed) for filed in session.scalars(select(TaxReturn).order_by(TaxReturn.id))]
        assert [sheet.apart for sheet in returns if not sheet.ties] == []
        last = {sheet.value.period: sheet.value.collected_cents for sheet in returns}
        assert sum(last.values()) == movements(session, "tax_return").get("all", 0) == _owed_by_the_co_op(session, owed_by)
        assert filing.check_returns(session) == []
        assert check_trial_balance(session) == []
        session.rollback()


def _year(session: Session, owed_by: str, year: list[Sold]) -> None:
    """2026 at a mall, month by month: sold, moved, closed, filed; then what came late, and its amended returns."""
    make_coop(session, NOW)
    filer = make_filer(session, NOW, make_mall(session, NOW), [make_dealer(session, NOW, c) for c in ("D01", "D02")])
    setting(session, starts_on=date(2026, 1, 1), mall_id=filer.mall.id, owed_by=owed_by)
    begin = date(2026, 1, 1)
    back: list[tuple[date, TicketTax, int, int | None]] = []
    late = []
    months = [Month(2026, m) for m in range(1, 13)] + [Month(2027, 1), Month(2027, 2)]
    by_month: dict[Month, list[tuple[date, int, int | None, str, int]]] = {}
    for days, cents, dealer, kind, after in year:
        day = begin + timedelta(days=days)
        by_month.setdefault(Month.of(day), []).append((day, cents, dealer, kind, after))
    numbers = {}
    for month in months:
        for day, cents, dealer, kind, after in by_month.get(month, []):
            if kind == "late":
                late.append((day, cents, dealer))
                continue
            tax = filer.sell(day, cents, dealer=dealer)
            if kind == "sale and back":
                back.append((day + timedelta(days=after), tax, cents, dealer))
        for day, tax, cents, dealer in back:
            if Month.of(day) == month:
                filer.give_back(day, tax, cents, dealer=dealer)
        filing.move_tax_to_dealers(session, NOW, filer.mall, month)
        period = ensure_period(session, filer.mall.id, month)
        lock_period(session, period.id)
        close_period(session, NOW, period)
        filed = filing.file_return(
            session, NOW, OFFICE, FilingPeriod(month, "month"), filed_on=month.next.first_day + timedelta(days=18)
        )
        numbers[month] = filed.number
    for day, cents, dealer in late:
        filer.sell(day, cents, dealer=dealer)
    filing.move_tax_to_dealers(session, NOW, filer.mall, Month(2027, 3))
    for number in numbers.values():
        if filing.draft_amendment(session, number, filed_on=NOW.date()) is not None:
            filing.amend_return(session, NOW, number, filed_on=NOW.date(), reason="late tickets")
