"""The year's totals of every dealer, and the thresholds an accountant looks at them by; the queries do not grow with dealers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from functools import cached_property

from sqlalchemy import ColumnElement, case, distinct, func, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Opening, OpeningMemo, Period, Posting
from coop.books.queries import SALE_KINDS, first_days, last_closed
from coop.books.sums import balances_before, month_sums
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import hold_coop
from coop.dealers.models import Dealer, Member
from coop.dealers.paying import forms_of
from coop.floor.models import Mall
from coop.leases.models import Charge
from coop.leases.posting import INCOME
from coop.payouts.domain.year import KINDS, Control, Figures, Threshold, YearRow, YearTotals, summed
from coop.payouts.models import PatronageShare, YearThreshold
from coop.payouts.queries import PAYOUT, RETURNED
from coop.sales.models import Ticket, TicketLine

RENT_KINDS = ("rent", "case", "shelf", "wall")
PATRONAGE = "patronage"
_PAPER = {"gross": "gross_cents", "net": "net_cents", "commission": "commission_cents", "rent": "rent_cents"} | {
    "fees": "fees_cents",
    "paid": "paid_cents",
}
"""Memoranda of an opening, with the figures they are part of."""


def year_totals(session: Session, year: int) -> YearTotals:
    """Every dealer who sold, was charged, was paid, or has a balance in a year, over all malls, by code."""
    first, last = date(year, 1, 1), date(year, 12, 31)
    ledger = _Ledger(session, first, last)
    sold, moved = _sold(session, first, last), _moved(session, ledger)
    before, paper = ledger.balances_before(first), _paper(session, year)
    thresholds = thresholds_of(session, year)
    forms = forms_of(session)
    rows = []
    ids = sold.keys() | moved.keys() | paper.keys() | {dealer for dealer, cents in before.items() if cents}
    dealers = select(Dealer.id, Dealer.code, Member.name).join(Member, Member.id == Dealer.member_id).where(Dealer.id.in_(ids))
    for dealer_id, code, name in session.execute(dealers.order_by(Dealer.code)):
        figures = _figures(sold.get(dealer_id, (0, 0, 0, 0)), moved.get(dealer_id, {}), before.get(dealer_id, 0))
        form, on_paper = forms.get(dealer_id), paper.get(dealer_id, Figures())
        whole = figures + on_paper
        rows.append(
            YearRow(
                dealer_id=dealer_id,
                code=code,
                name=name,
                form=form.form if form else "",
                number_last4=form.number_last4 if form else "",
                books=figures,
                paper=on_paper,
                reached=tuple(one.kind for one in thresholds if one.reached(whole)),
            )
        )
    controls = _controls(session, first, last, ledger, summed(row.books for row in rows))
    return YearTotals(year, tuple(rows), controls, thresholds, tuple(unfinished(session, year)))


def _figures(sold: tuple[int, int, int, int], moved: dict[str, int], opening: int) -> Figures:
    sales, gross, net, trade_ins = sold
    rent = -sum(moved.get(kind, 0) for kind in RENT_KINDS)
    charged = -sum(moved.get(kind, 0) for kind in INCOME)
    commission = -moved.get("commission", 0)
    named = {*SALE_KINDS, *INCOME, PAYOUT, PATRONAGE}
    return Figures(
        sales=sales,
        gross_cents=gross,
        net_cents=net,
        trade_ins_cents=trade_ins,
        commission_cents=commission,
        rent_cents=rent,
        fees_cents=charged - rent - commission,
        paid_cents=-moved.get(PAYOUT, 0),
        patronage_cents=moved.get(PATRONAGE, 0),
        other_cents=sum(cents for kind, cents in moved.items() if kind not in named),
        opening_cents=opening,
        closing_cents=opening + sum(moved.values()),
    )


def _sold(session: Session, first: date, last: date) -> dict[int, tuple[int, int, int, int]]:
    """By dealer id: on how many tickets she sold, gross, net, and what was paid to her in kind; by the day it was credited."""
    is_sale = Ticket.kind == "sale"
    rows = session.execute(
        select(
            TicketLine.dealer_id,
            func.count(distinct(case((is_sale, Ticket.id)))),
            func.sum(case((is_sale, TicketLine.tag_cents), else_=0)),
            func.sum(TicketLine.price_cents),
            func.sum(TicketLine.trade_in_cents),
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        # Each mall's, for the index of days is by mall: else every line that was ever sold is looked up.
        .where(TicketLine.mall_id.in_(select(Mall.id)), TicketLine.credited_on.between(first, last))
        .group_by(TicketLine.dealer_id)
    )
    return {dealer: (int(n), int(gross), int(net), int(kind)) for dealer, n, gross, net, kind in rows if dealer is not None}


class _Ledger:
    """Dealers' accounts of all malls over a year: what closed months come to is remembered (`books.sums`)."""

    def __init__(self, session: Session, first: date, last: date) -> None:
        self.session = session
        rows = session.execute(select(Account.id, Account.dealer_id).where(Account.kind == "dealer"))
        self.accounts = {account_id: dealer_id for account_id, dealer_id in rows if dealer_id is not None}
        months = select(Period).where(Period.mall_id.is_not(None), Period.first_day.between(first, last))
        self.periods = session.scalars(months).all()

    def balances_before(self, day: date) -> dict[int, int]:
        """What each dealer is owed as a day begins, over all malls, in cents by dealer id."""
        return self._by_dealer(balances_before(self.session, day).items())

    @cached_property
    def sales(self) -> dict[int, int]:
        """What was credited to each dealer by sales in the year, less returns, in cents by dealer id."""
        months = month_sums(self.session, self.periods, SALE_KINDS)
        return self._by_dealer((account_id, debits - credits) for _, sums in months for account_id, debits, credits in sums)

    def _by_dealer(self, of_accounts: Iterable[tuple[int, int]]) -> dict[int, int]:
        found: dict[int, int] = {}
        for account_id, cents in of_accounts:
            dealer_id = self.accounts.get(account_id)
            if dealer_id is not None:
                found[dealer_id] = found.get(dealer_id, 0) - cents
        return found


def _moved(session: Session, ledger: _Ledger) -> dict[int, dict[str, int]]:
    """Each dealer's accounts over days by kind of entry, in her favor; what takes a payout back counts with the payouts."""
    original = aliased(Entry)
    is_payout = Entry.kind.in_((PAYOUT, RETURNED)) | func.coalesce(original.kind == PAYOUT, False)
    kind: ColumnElement[str] = case((is_payout, PAYOUT), else_=Entry.kind)
    rows = session.execute(
        select(Posting.account_id, kind, func.sum(Posting.amount_cents))
        .join(Entry, Entry.id == Posting.entry_id)
        .outerjoin(original, original.id == Entry.reverses_id)
        .where(Entry.period_id.in_([period.id for period in ledger.periods]), Entry.kind.not_in(SALE_KINDS))
        .group_by(Posting.account_id, kind)
    )
    moved: dict[int, dict[str, int]] = defaultdict(dict)
    for dealer_id, cents in ledger.sales.items():
        moved[dealer_id][SALE_KINDS[0]] = cents
    for account_id, name, cents in rows:
        dealer = ledger.accounts.get(account_id)
        if dealer is not None:
            moved[dealer][name] = moved[dealer].get(name, 0) - int(cents)
    return moved


def _paper(session: Session, year: int) -> dict[int, Figures]:
    rows = session.execute(
        select(OpeningMemo.dealer_id, OpeningMemo.what, func.sum(OpeningMemo.amount_cents))
        .join(Opening, Opening.id == OpeningMemo.opening_id)
        .where(OpeningMemo.year == year, OpeningMemo.what.in_(_PAPER), Opening.state == "signed")
        .group_by(OpeningMemo.dealer_id, OpeningMemo.what)
    )
    found: dict[int, Figures] = {}
    for dealer, what, cents in rows:
        found[dealer] = found.get(dealer, Figures()) + Figures(**{_PAPER[what]: int(cents or 0)})
    return found


def _controls(session: Session, first: date, last: date, ledger: _Ledger, rows: Figures) -> tuple[Control, ...]:
    """Totals of the rows beside the ledger's own, each read in another way."""

    within = Entry.business_date.between(first, last)
    charged = rows.commission_cents + rows.rent_cents + rows.fees_cents
    charges = (
        select(func.coalesce(func.sum(Charge.amount_cents), 0))
        .join(Entry, Entry.id == Charge.entry_id)
        .where(Entry.business_date.between(first, last))
    )
    income = (
        select(func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Entry, Entry.id == Posting.entry_id)
        .join(Account, Account.id == Posting.account_id)
        .where(Account.kind == "income", within, Entry.kind.in_(INCOME))
    )
    shares = (
        select(func.coalesce(func.sum(PatronageShare.cash_cents), 0))
        .join(Entry, Entry.id == PatronageShare.entry_id)
        .where(Entry.business_date.between(first, last))
    )
    return (
        Control(
            "sales less trade-ins",
            rows.net_cents - rows.trade_ins_cents,
            sum(ledger.sales.values()),
        ),
        Control("commission, rent and fees by their charges", int(session.scalar(charges) or 0), charged),
        Control("commission, rent and fees as income", charged, -int(session.scalar(income) or 0)),
        Control("patronage in cash by its shares", int(session.scalar(shares) or 0), rows.patronage_cents),
        Control(
            "balances of dealers at the year's end",
            rows.reckoned_cents,
            sum(ledger.balances_before(last + timedelta(days=1)).values()),
        ),
    )


def unfinished(session: Session, year: int) -> list[str]:
    """A sentence for each mall with books in a year that has not closed its December."""
    said = []
    end = Month(year, 12)
    malls = {mall.id: mall for mall in session.scalars(select(Mall).order_by(Mall.code))}
    begun = first_days(session)
    for mall in malls.values():
        if mall.id not in begun or begun[mall.id] > end.last_day:
            continue
        last = last_closed(session, mall.id)
        if last is None or last < end:
            how_far = (
                f"has closed {last.name} last" if last is not None and last.year == year else f"has closed no month of {year}"
            )
            said.append(f"{mall.code} {how_far}: its figures may still change.")
    return said


def years_in_books(session: Session, today: date) -> list[int]:
    """Every year from that in which the books begin to this one, the newest first."""
    first = min(first_days(session).values(), default=today)
    return list(range(max(today.year, first.year), min(first.year, today.year) - 1, -1))


# --- thresholds -----------------------------------------------------------------------------------------------------------


def set_threshold(
    session: Session,
    now: datetime,
    *,
    kind: str,
    from_year: int,
    amount_cents: int,
    least_count: int,
    said_by: str,
    user_id: int | None = None,
) -> YearThreshold:
    """Write down a threshold that holds from a year on; one of the same kind and year is replaced.

    Refuses, naming the field, an unknown kind, a year there is none of, what is below zero, and no source.
    """
    if kind not in KINDS:
        raise Refusal(f"A threshold is of {', '.join(KINDS)}, not of {kind!r}.")
    if not 1900 <= from_year <= 2200:
        raise Refusal(f"The year {from_year} is none: write it like 2026.")
    if amount_cents < 0 or least_count < 0:
        raise Refusal("The amount and the number of sales cannot be below zero.")
    if not said_by.strip():
        raise Refusal("The source is empty: write which law or office says so.")
    hold_coop(session)
    row = session.scalar(select(YearThreshold).where(YearThreshold.kind == kind, YearThreshold.from_year == from_year))
    if row is None:
        row = YearThreshold(kind=kind, from_year=from_year)
        session.add(row)
    row.amount_cents, row.least_count, row.said_by = amount_cents, least_count, said_by.strip()[:200]
    row.set_by, row.set_at = user_id, now
    session.flush()
    audit.record(session, now, "year's threshold set", "year threshold", row.id, user_id=user_id, detail=f"{kind}, {from_year}")
    return row


def all_thresholds(session: Session) -> Sequence[YearThreshold]:
    return session.scalars(select(YearThreshold).order_by(YearThreshold.kind, YearThreshold.from_year.desc())).all()


def thresholds_of(session: Session, year: int) -> tuple[Threshold, ...]:
    """The thresholds in force in a year, of each kind the newest."""
    found: dict[str, Threshold] = {}
    for row in reversed(all_thresholds(session)):
        if row.from_year <= year:
            found[row.kind] = Threshold(row.kind, row.amount_cents, row.least_count, row.said_by, row.from_year)
    return tuple(found[kind] for kind in KINDS if kind in found)
