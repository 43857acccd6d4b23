"""The year's totals of every dealer, and the thresholds an accountant looks at them by; the queries do not grow with dealers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import ColumnElement, case, distinct, func, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Opening, OpeningMemo, Posting
from coop.books.queries import SALE_KINDS, first_days, last_closed
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import hold_coop
from coop.dealers.models import Dealer
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
    sold, moved = _sold(session, first, last), _moved(session, first, last)
    before, paper = _balances_before(session, first), _paper(session, year)
    thresholds = thresholds_of(session, year)
    forms = forms_of(session)
    rows = []
    ids = sold.keys() | moved.keys() | paper.keys() | {dealer for dealer, cents in before.items() if cents}
    for dealer in session.scalars(select(Dealer).where(Dealer.id.in_(ids)).order_by(Dealer.code)):
        figures = _figures(sold.get(dealer.id, (0, 0, 0, 0)), moved.get(dealer.id, {}), before.get(dealer.id, 0))
        form, on_paper = forms.get(dealer.id), paper.get(dealer.id, Figures())
        whole = figures + on_paper
        rows.append(
            YearRow(
                dealer_id=dealer.id,
                code=dealer.code,
                name=dealer.member.name,
                form=form.form if form else "",
                number_last4=form.number_last4 if form else "",
                books=figures,
                paper=on_paper,
                reached=tuple(one.kind for one in thresholds if one.reached(whole)),
            )
        )
    controls = _controls(session, first, last, summed(row.books for row in rows))
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
        .where(TicketLine.credited_on.between(first, last))
        .group_by(TicketLine.dealer_id)
    )
    return {dealer: (int(n), int(gross), int(net), int(kind)) for dealer, n, gross, net, kind in rows if dealer is not None}


def _moved(session: Session, first: date, last: date) -> dict[int, dict[str, int]]:
    """Each dealer's accounts over days by kind of entry, in her favor; what takes a payout back counts with the payouts."""
    original = aliased(Entry)
    is_payout = Entry.kind.in_((PAYOUT, RETURNED)) | func.coalesce(original.kind == PAYOUT, False)
    kind: ColumnElement[str] = case((is_payout, PAYOUT), else_=Entry.kind)
    rows = session.execute(
        select(Account.dealer_id, kind, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .outerjoin(original, original.id == Entry.reverses_id)
        .where(Account.kind == "dealer", Entry.business_date.between(first, last))
        .group_by(Account.dealer_id, kind)
    )
    moved: dict[int, dict[str, int]] = defaultdict(dict)
    for dealer, name, cents in rows:
        if dealer is not None:
            moved[dealer][name] = -int(cents)
    return moved


def _balances_before(session: Session, day: date) -> dict[int, int]:
    rows = session.execute(
        select(Account.dealer_id, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "dealer", Entry.business_date < day)
        .group_by(Account.dealer_id)
    )
    return {dealer: -int(cents) for dealer, cents in rows if dealer is not None}


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


def _controls(session: Session, first: date, last: date, rows: Figures) -> tuple[Control, ...]:
    """Totals of the rows beside the ledger's own, each read in another way."""

    def ledger(*where: ColumnElement[bool]) -> int:
        found = (
            select(func.coalesce(func.sum(Posting.amount_cents), 0))
            .join(Entry, Entry.id == Posting.entry_id)
            .join(Account, Account.id == Posting.account_id)
            .where(*where)
        )
        return int(session.scalar(found) or 0)

    within = Entry.business_date.between(first, last)
    of_dealers = Account.kind == "dealer"
    charged = rows.commission_cents + rows.rent_cents + rows.fees_cents
    charges = (
        select(func.coalesce(func.sum(Charge.amount_cents), 0))
        .join(Entry, Entry.id == Charge.entry_id)
        .where(Entry.business_date.between(first, last))
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
            -ledger(of_dealers, within, Entry.kind.in_(SALE_KINDS)),
        ),
        Control("commission, rent and fees by their charges", int(session.scalar(charges) or 0), charged),
        Control(
            "commission, rent and fees as income", charged, -ledger(Account.kind == "income", within, Entry.kind.in_(INCOME))
        ),
        Control("patronage in cash by its shares", int(session.scalar(shares) or 0), rows.patronage_cents),
        Control("balances of dealers at the year's end", rows.reckoned_cents, -ledger(of_dealers, Entry.business_date <= last)),
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
