"""What a dealer's pages of turns read: own turns, offers to sign or take, the account of turns, the rota of everybody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import groupby

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.shifts.answering import own_malls
from coop.shifts.models import Rota, Turn
from coop.shifts.offer_limits import OPEN, cut_off
from coop.shifts.owing import balances, owed_of_month, workers_of
from coop.shifts.queries import PUBLISHED, STANDING, TurnRow, coming_turns, names_of, turn_rows
from coop.shifts.turn_models import TurnAccount, TurnOffer

MOST_FREE = 30
"""Turns that nobody has, which are listed at once."""
ACCOUNT_WORDS = {
    "opening": "Carried from paper",
    "owed": "Owed",
    "worked": "Worked",
    "closed": "The mall was closed",
    "bought out": "Bought out",
    "charged": "Charged",
    "credited": "Credited",
    "excused": "Excused",
    "set right": "Set right",
}


# --- offers ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OfferRow:
    """An offer with its turn, the turn in return where one is named, and the names of who is in it."""

    offer: TurnOffer
    turn: TurnRow
    back: TurnRow | None
    by: str
    to: str
    """Empty: to all."""
    answered: str


def offer_rows(session: Session, *which: ColumnElement[bool]) -> list[OfferRow]:
    """Offers by the beginning of their turns. Three queries."""
    offers = session.scalars(select(TurnOffer).where(*which)).all()
    if not offers:
        return []
    ids = {one for offer in offers for one in (offer.turn_id, offer.return_turn_id) if one is not None}
    turns = {row.turn.id: row for row in turn_rows(session, Turn.id.in_(ids))}
    names = names_of(session, [one for o in offers for one in (o.by_member_id, o.to_member_id, o.answered_by)])
    rows = [
        OfferRow(
            offer,
            turns[offer.turn_id],
            turns.get(offer.return_turn_id or 0),
            names[offer.by_member_id],
            names.get(offer.to_member_id or 0, ""),
            names.get(offer.answered_by or 0, ""),
        )
        for offer in offers
    ]
    return sorted(rows, key=lambda row: (row.turn.turn.starts_at, row.offer.id))


def open_offers(session: Session, now: datetime, member_id: int, malls: Sequence[Mall]) -> list[OfferRow]:
    """Offers that run: the member's own, those to the member alone, and those to all at the member's malls, still in time."""
    mine = or_(TurnOffer.by_member_id == member_id, TurnOffer.to_member_id == member_id, TurnOffer.to_member_id.is_(None))
    rows = offer_rows(session, TurnOffer.state.in_(OPEN), mine)
    here = {mall.id for mall in malls}
    limits: dict[tuple[int, Month], timedelta] = {}
    found = []
    for row in rows:
        turn = row.turn.turn
        place = (turn.mall_id, Month.of(turn.on_date))
        if place not in limits:
            limits[place] = turn.starts_at - cut_off(session, turn)
        if now < turn.starts_at - limits[place] and (turn.mall_id in here or row.offer.by_member_id == member_id):
            found.append(row)
    return found


def next_turn(session: Session, now: datetime, member_id: int) -> TurnRow | None:
    """The member's turn that is on or comes next, at whatever mall."""
    return next(iter(coming_turns(session, now, member_id)), None)


def waiting_offers(session: Session, now: datetime, member_id: int) -> list[OfferRow]:
    """Offers that wait for this member: to the member alone, and the member's own that somebody has answered."""
    alone = and_(TurnOffer.to_member_id == member_id, TurnOffer.state == "open")
    answered = and_(TurnOffer.by_member_id == member_id, TurnOffer.state == "answered")
    return [row for row in offer_rows(session, or_(alone, answered)) if row.turn.turn.starts_at > now]


def count_open_to_all(session: Session, now: datetime, member_id: int) -> int:
    """How many turns others offer to everybody at the malls where the member has a lease, or a part in one."""
    here = select(Lease.mall_id).join(Dealer, Dealer.id == Lease.dealer_id).where(Dealer.member_id == member_id)
    rows = (
        select(func.count(TurnOffer.id))
        .join(Turn, Turn.id == TurnOffer.turn_id)
        .where(
            TurnOffer.state == "open",
            TurnOffer.to_member_id.is_(None),
            TurnOffer.by_member_id != member_id,
            Turn.starts_at > now,
            Turn.mall_id.in_(here),
        )
    )
    return session.scalar(rows) or 0


def own_offer(session: Session, offer_id: int, member_id: int) -> OfferRow | None:
    """An offer this member may see: made, answered or addressed, or to all."""
    may = or_(
        TurnOffer.by_member_id == member_id,
        TurnOffer.to_member_id == member_id,
        TurnOffer.answered_by == member_id,
        TurnOffer.to_member_id.is_(None),
    )
    return next(iter(offer_rows(session, TurnOffer.id == offer_id, may)), None)


def own_turn(session: Session, turn_id: int, member_id: int) -> TurnRow | None:
    return next(iter(turn_rows(session, PUBLISHED, Turn.id == turn_id, Turn.member_id == member_id)), None)


def free_turns(session: Session, now: datetime, malls: Sequence[Mall]) -> list[TurnRow]:
    """Published turns to come at these malls that nobody has, the next first."""
    if not malls:
        return []
    here = Turn.mall_id.in_([mall.id for mall in malls])
    return turn_rows(session, PUBLISHED, STANDING, Turn.member_id.is_(None), Turn.starts_at > now, here)[:MOST_FREE]


def offered_to(session: Session, turn: Turn, member_id: int) -> list[tuple[int, str]]:
    """Members a turn may be offered to: those with a lease at its mall that month."""
    mall = session.get_one(Mall, turn.mall_id)
    workers = workers_of(session, mall, Month.of(turn.on_date))
    return [(one.member_id, one.name) for one in workers if one.member_id != member_id and one.is_there(turn.on_date)]


def had_by_others(session: Session, now: datetime, turn: Turn, member_id: int) -> list[tuple[int, str]]:
    """Others' turns to come on the same rota, each in words: one of them may be wanted in return."""
    rows = turn_rows(
        session,
        STANDING,
        Turn.rota_id == turn.rota_id,
        Turn.member_id.is_not(None),
        Turn.member_id != member_id,
        Turn.starts_at > now,
    )
    return [(row.turn.id, f"{row.member}: {row.post}, {row.day}, {row.hours}") for row in rows]


def own_to_give(session: Session, now: datetime, member_id: int) -> list[tuple[int, str]]:
    """The member's own turns to come, each in words."""
    rows = turn_rows(session, PUBLISHED, STANDING, Turn.member_id == member_id, Turn.starts_at > now)
    return [(row.turn.id, f"{row.said}, {row.mall.name}") for row in rows]


# --- the account ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AccountLine:
    line: TurnAccount
    words: str
    stands: Decimal
    """The balance after it."""


@dataclass(frozen=True)
class Account:
    """A member's account of turns at a mall, with the month that is not counted yet."""

    mall: Mall
    balance: Decimal
    lines: tuple[AccountLine, ...]
    month: Month
    owed: Decimal
    """Of the month that runs."""
    working: str
    on_rota: int
    """The member's turns of the month, which count for the member once they are worked."""


def own_balances(session: Session, member_id: int, malls: Sequence[Mall]) -> list[tuple[Mall, Decimal]]:
    """What each mall's account of turns comes to; below zero is owed."""
    found = balances(session, [mall.id for mall in malls]) if malls else {}
    return [(mall, found.get((mall.id, member_id), Decimal(0))) for mall in malls]


def own_accounts(session: Session, now: datetime, member_id: int) -> list[Account]:
    """The account of turns at every mall where the member has a lease, or ever had a line."""
    of_lines = select(TurnAccount.mall_id).where(TurnAccount.member_id == member_id)
    here = {mall.id for mall in own_malls(session, now, member_id)}
    malls = session.scalars(select(Mall).where(or_(Mall.id.in_(here), Mall.id.in_(of_lines))).order_by(Mall.code)).all()
    return [_account(session, now, member_id, mall) for mall in malls]


def _account(session: Session, now: datetime, member_id: int, mall: Mall) -> Account:
    rows = session.scalars(
        select(TurnAccount)
        .where(TurnAccount.member_id == member_id, TurnAccount.mall_id == mall.id)
        .order_by(TurnAccount.first_day, TurnAccount.id)
    ).all()
    lines, stands = [], Decimal(0)
    for row in rows:
        stands += row.turns
        lines.append(AccountLine(row, ACCOUNT_WORDS.get(row.kind, row.kind.capitalize()), stands))
    month = Month.of(local_date(now, mall.timezone))
    owed = owed_of_month(session, mall, month).get(member_id)
    works_off = or_(Turn.for_member_id == member_id, (Turn.for_member_id.is_(None)) & (Turn.member_id == member_id))
    days = Turn.on_date.between(month.first_day, month.last_day)
    on_rota = len(turn_rows(session, PUBLISHED, STANDING, Turn.mall_id == mall.id, days, works_off))
    return Account(
        mall, stands, tuple(reversed(lines)), month, owed.turns if owed else Decimal(0), owed.working if owed else "", on_rota
    )


# --- the rota -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RotaDay:
    on: date
    turns: tuple[TurnRow, ...]

    @property
    def holiday(self) -> str:
        return next((row.turn.holiday for row in self.turns if row.turn.holiday), "")


def rota_days(session: Session, rota: Rota) -> list[RotaDay]:
    """A rota by its days; days without a turn are left out."""
    rows = turn_rows(session, Turn.rota_id == rota.id)
    return [RotaDay(on, tuple(group)) for on, group in groupby(rows, key=lambda row: row.turn.on_date)]


def published_months(session: Session, mall: Mall) -> list[Month]:
    """Months of a mall whose rota is published, the latest first."""
    rows = select(Rota.first_day).where(Rota.mall_id == mall.id, PUBLISHED).order_by(Rota.first_day.desc())
    return [Month.of(first_day) for first_day in session.scalars(rows)]
