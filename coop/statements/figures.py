"""What a statement tells beside the balance: the year to date, next month's rent, layaways, the square foot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from statistics import median

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Opening, OpeningMemo, Posting
from coop.books.queries import dealer_balances_before
from coop.core.errors import Refusal
from coop.core.money import round_half_up
from coop.core.periods import Month, days_within
from coop.floor.models import Mall
from coop.leases.models import Charge, Lease, LeaseShare, LeaseSpace
from coop.leases.rents import RentDraft, month_rents
from coop.sales.models import LayawayAgreement, LayawayLine, Ticket, TicketLine
from coop.sales.queries import credited_between, net_between
from coop.statements.domain import ChargeLine, FloorFigures, PendingLayaway, YearFigure
from coop.statements.domain.lines import BY_DEALER_KINDS, FOOT_FIGURES, PAYOUT_KINDS, RENT_KINDS, YEAR_FIGURES
from coop.statements.domain.proof import by_area
from coop.statements.payment_lines import moved
from coop.tax.dealer_tax import TO_DEALER

FEWEST = 5
"""Dealers that a median is told of: of fewer, one could be told from it (common practice, no source)."""
_CHARGED = ("commission", "rent", "fees", "paid")
"""Figures that take from what the dealer is owed: positive on paper, below zero on a statement."""


# --- the year -----------------------------------------------------------------------------------------------------------


def year_figures(
    session: Session,
    mall_id: int,
    dealer_id: int,
    month: Month,
    of_month: dict[str, int],
    *,
    opening_cents: int,
    books_from: date | None,
) -> tuple[YearFigure, ...]:
    """The calendar year to a month's end: what its months before came to, on paper too, and what this one adds.

    With all that makes it foot, from the balance it began with, where the whole of it is in these books.
    """
    first, last = date(month.year, 1, 1), month.previous.last_day
    before = dict.fromkeys((*YEAR_FIGURES, *FOOT_FIGURES), 0)
    if first <= last:
        before |= _sold(session, mall_id, dealer_id, first, last)
        for kind, amount in _charged(session, mall_id, dealer_id, first, last):
            before["commission" if kind == "commission" else "rent" if kind in RENT_KINDS else "fees"] -= amount
            if kind != "commission" and kind not in RENT_KINDS:
                before[{"card": "card", "turn": "turns"}.get(kind, "other")] -= amount
        for kind, amount in moved(session, mall_id, dealer_id, first, last):
            at = {**dict.fromkeys(BY_DEALER_KINDS, "by you"), TO_DEALER: "tax"}.get(
                kind, "paid" if kind in PAYOUT_KINDS else "else"
            )
            before[at] += amount
    before["opening"] = dealer_balances_before(session, mall_id, first, dealer_id=dealer_id).get(dealer_id, 0)
    paper = _from_paper(session, mall_id, dealer_id, month)
    was_here = books_from is not None and (bool(paper) or _was_here(session, mall_id, dealer_id, books_from))
    brought = [
        YearFigure(
            what, before[what] + paper.get(what, 0), of_month[what], paper.get(what, 0), unknown=was_here and what not in paper
        )
        for what in YEAR_FIGURES
    ]
    # Of a year that is partly on paper, it is not known how its balance began.
    foots = books_from is None and opening_cents == sum(
        before[what] for what in (*YEAR_FIGURES, *FOOT_FIGURES) if what not in ("gross", "fees")
    )
    return (*brought, *(YearFigure(what, before[what], of_month[what]) for what in FOOT_FIGURES if foots))


def books_begun(session: Session, month: Month) -> date | None:
    """The day these books took over from paper, where that was in a month's calendar year and not after it."""
    return session.scalar(
        select(func.min(Opening.first_day)).where(
            Opening.state == "signed", Opening.first_day.between(date(month.year, 1, 1), month.last_day)
        )
    )


def _was_here(session: Session, mall_id: int, dealer_id: int, books_from: date) -> bool:
    """Whether a dealer had a lease or an account before the books took over from paper."""
    leased = select(Lease.id).where(Lease.mall_id == mall_id, Lease.dealer_id == dealer_id, Lease.starts_on < books_from)
    brought = (
        select(Posting.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .join(Account, Account.id == Posting.account_id)
        .where(Account.mall_id == mall_id, Account.dealer_id == dealer_id, Entry.kind == "opening")
    )
    return session.scalar(select(leased.exists() | brought.exists())) or False


def _sold(session: Session, mall_id: int, dealer_id: int, first: date, last: date) -> dict[str, int]:
    gross, net, traded = session.execute(
        select(
            func.coalesce(func.sum(case((Ticket.kind == "sale", TicketLine.tag_cents), else_=0)), 0),
            func.coalesce(func.sum(TicketLine.price_cents), 0),
            func.coalesce(func.sum(TicketLine.trade_in_cents), 0),
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.dealer_id == dealer_id, credited_between(mall_id, first, last))
    ).one()
    return {"gross": int(gross), "net": int(net), "else": -int(traded)}


def _charged(session: Session, mall_id: int, dealer_id: int, first: date, last: date) -> list[tuple[str, int]]:
    """By kind, what was charged on these days: as the statements of their months state it."""
    rows = session.execute(
        select(Charge.kind, func.sum(Charge.amount_cents))
        .join(Entry, Entry.id == Charge.entry_id)
        .where(Charge.mall_id == mall_id, Charge.dealer_id == dealer_id, Entry.business_date.between(first, last))
        .group_by(Charge.kind)
    )
    return [(kind, int(amount)) for kind, amount in rows]


def _from_paper(session: Session, mall_id: int, dealer_id: int, month: Month) -> dict[str, int]:
    rows = session.execute(
        select(OpeningMemo.what, OpeningMemo.amount_cents)
        .join(Opening, Opening.id == OpeningMemo.opening_id)
        .where(
            OpeningMemo.mall_id == mall_id,
            OpeningMemo.dealer_id == dealer_id,
            OpeningMemo.year == month.year,
            Opening.state == "signed",
        )
    )
    return {what: -amount if what in _CHARGED else amount for what, amount in rows if what in YEAR_FIGURES and amount is not None}


# --- what is to come ----------------------------------------------------------------------------------------------------


def next_rent(session: Session, mall: Mall, dealer_id: int, month: Month) -> tuple[ChargeLine, ...]:
    """What the month after this one will cost by the leases as they stand; percentage rent comes with its sales."""
    try:
        drafts = month_rents(session, mall, month.next, dealer_id=dealer_id)
    except Refusal:
        # The office is told so, with the mend, where it posts that month; a statement of this one does not wait for it.
        return (ChargeLine("rent", "Rent", "not settled yet: ask the office", 0),)
    return tuple(map(_rent_line, drafts))


def next_rents(session: Session, mall: Mall, dealer_ids: Iterable[int], month: Month) -> dict[int, tuple[ChargeLine, ...]]:
    """The same of many, by dealer id; the number of queries does not grow with them."""
    try:
        drafts = month_rents(session, mall, month.next)
    except Refusal:
        # It may be one dealer's rent alone that is not settled.
        return {dealer_id: next_rent(session, mall, dealer_id, month) for dealer_id in dealer_ids}
    return {one: tuple(_rent_line(each) for each in drafts if each.dealer_id == one) for one in dealer_ids}


def _rent_line(draft: RentDraft) -> ChargeLine:
    return ChargeLine(draft.kind, draft.label, draft.rent.working, -draft.rent.amount_cents)


def pending_layaways(session: Session, mall_id: int, dealer_id: int, month: Month) -> tuple[PendingLayaway, ...]:
    """A dealer's items that were set aside for a buyer when the month ended."""
    rows = session.execute(
        select(LayawayAgreement, LayawayLine)
        .join(LayawayLine, LayawayLine.layaway_id == LayawayAgreement.id)
        .where(
            LayawayAgreement.mall_id == mall_id,
            LayawayLine.dealer_id == dealer_id,
            LayawayAgreement.accepted_on <= month.last_day,
            LayawayAgreement.closed_on.is_(None) | (LayawayAgreement.closed_on > month.last_day),
        )
        .order_by(LayawayAgreement.number, LayawayLine.position)
    )
    return tuple(
        PendingLayaway(
            one.number,
            line.description or "Item",
            line.tag,
            one.accepted_on,
            one.due_on,
            line.price_cents,
            round_half_up(Fraction(_paid_on(one, month) * line.price_cents, one.net_cents)),
        )
        for one, line in rows
    )


def _paid_on(layaway: LayawayAgreement, month: Month) -> int:
    """What its buyer had paid when a month ended."""
    moves = (move for move in layaway.moves if move.on <= month.last_day)
    return sum(move.amount_cents if move.kind == "paid" else -move.amount_cents for move in moves)


def other_malls(session: Session, mall_id: int, dealer_id: int) -> tuple[str, ...]:
    """Names of the other malls at which a dealer has an account, by code."""
    rows = session.scalars(
        select(Mall.name)
        .join(Account, Account.mall_id == Mall.id)
        .where(Account.kind == "dealer", Account.dealer_id == dealer_id, Mall.id != mall_id)
        .order_by(Mall.code)
    )
    return tuple(rows)


# --- the square foot ----------------------------------------------------------------------------------------------------


_HOLDER, _SHARER = aliased(Lease), aliased(Lease)
"""Who holds a space, and who shares it."""


@dataclass(frozen=True)
class Middle:
    """The median of a mall's dealers' net sales a square foot in a month: the same for all of them, so worked out once."""

    median_cents: int | None
    """None where there are too few."""
    dealers: int


def rented_areas(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> dict[int, Fraction]:
    """Hundredths of a square foot each dealer rented in a month, by dealer id; of a part of it, or a shared space, that part."""
    rows = (
        select(
            LeaseSpace.leased_area_sqft100,
            LeaseSpace.starts_on,
            LeaseSpace.ends_on,
            _HOLDER.ends_on,
            _HOLDER.dealer_id,
            _SHARER.starts_on,
            _SHARER.ends_on,
            _SHARER.dealer_id,
            LeaseShare.share_percent,
        )
        .join(_HOLDER, _HOLDER.id == LeaseSpace.lease_id)
        .outerjoin(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .outerjoin(_SHARER, _SHARER.id == LeaseShare.lease_id)
        .where(
            _HOLDER.mall_id == mall_id,
            LeaseSpace.leased_area_sqft100 > 0,
            LeaseSpace.starts_on <= month.last_day,
            LeaseSpace.ends_on.is_(None) | (LeaseSpace.ends_on >= month.first_day),
        )
    )
    if dealer_id is not None:
        rows = rows.where(func.coalesce(_SHARER.dealer_id, _HOLDER.dealer_id) == dealer_id)
    areas: dict[int, Fraction] = defaultdict(Fraction)
    for area, starts_on, ends_on, left_on, held_by, joins_on, leaves_on, shared_by, percent in session.execute(rows):
        begins = max(starts_on, joins_on or starts_on)
        ends = min((day for day in (ends_on, left_on, leaves_on) if day is not None), default=None)
        part = Fraction(days_within(month, begins, ends), month.days)
        areas[shared_by or held_by] += area * part * (Fraction(percent) / 100 if shared_by else 1)
    return {dealer: area for dealer, area in areas.items() if round_half_up(area) > 0}


def mall_middle(session: Session, mall_id: int, month: Month) -> Middle:
    """What the dealers of a mall sold by the square foot in a month, in the middle."""
    areas = rented_areas(session, mall_id, month)
    if len(areas) < FEWEST:
        return Middle(None, 0)
    net = net_between(session, mall_id, month.first_day, month.last_day)
    return Middle(median_by_area([(net.get(dealer, 0), area) for dealer, area in areas.items()]), len(areas))


def floor_figures(
    session: Session,
    mall_id: int,
    dealer_id: int,
    month: Month,
    *,
    net_cents: int,
    rent_cents: int,
    middle: Middle | None = None,
    working: str = "",
) -> FloorFigures | None:
    """A month's sales and rent by the square foot, beside the mall's median; None for who rents no measured area."""
    area = round_half_up(rented_areas(session, mall_id, month, dealer_id=dealer_id).get(dealer_id, Fraction(0)))
    if not area:
        return None
    middle = middle or mall_middle(session, mall_id, month)
    sales, rent = by_area(net_cents, area), by_area(max(0, rent_cents), area)
    return FloorFigures(area, sales, rent, middle.median_cents, middle.dealers, working)


def median_by_area(sold: Sequence[tuple[int, Fraction]]) -> int:
    """The median of cents a square foot, of pairs of cents and hundredths of a square foot."""
    return round_half_up(median(Fraction(net_cents * 100) / area for net_cents, area in sold))
