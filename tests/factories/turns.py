"""Turns of an invented mall: its hours, posts and rules, who is trained and holds a key, and a published rota."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.dealers.models import CalendarFeed, Dealer, UserAccount
from coop.dealers.service import hash_token
from coop.floor.models import Mall
from coop.shifts.domain.hours import EVERY_DAY
from coop.shifts.models import (
    Availability,
    HolidayChoice,
    OpeningException,
    OpeningHours,
    Post,
    PostNeed,
    Rota,
    Turn,
    TurnFact,
    TurnHelper,
    TurnPair,
    TurnRule,
)
from coop.shifts.planning import seats_of
from coop.shifts.rules import TurnRules
from coop.shifts.turn_models import Attendance, ChecklistItem, TurnAccount, TurnChange, TurnOffer

NOVEMBER = Month(2026, 11)
LONG_AGO = date(2020, 1, 1)
TEN, TWO, SIX = 600, 840, 1080
WEEKDAYS = 0b0111111
"""Monday to Saturday."""
SATURDAY = 0b0100000


@dataclass(frozen=True)
class TurnsLaid:
    """Ids of what stands on the house's rota of November 2026: D01 has the mornings but on the 10th, D02 the afternoons."""

    rota: int
    turn: int
    """D01's on November 20 at 10 am, offered to all."""
    other_turn: int
    """D02's on November 20 at 2 pm."""
    open_turn: int
    """Nobody's, on November 10 at 10 am."""
    missed: int
    """D02's on November 2 at 2 pm, to which nobody came."""
    today: int
    """D01's on November 3 at 10 am."""
    offer: int
    helper: int
    pair: int
    fact: int
    post: int
    need: int
    exception: int
    rule: int
    """Rules that begin on January 1, 2027."""
    said: int
    """What D01 says: rather not on Mondays from December on."""
    feed: int
    """D01's calendar of turns."""


def lay_rules(session: Session, mall: Mall, *, starts_on: date = LONG_AGO, **changes: Any) -> TurnRule:
    """Rules of turns as they are where nothing else is said, with some changed; beside the service: no log tells of it."""
    values = asdict(TurnRules(**changes | {"starts_on": starts_on}))
    row = TurnRule(mall_id=mall.id, **values | {"owed_by_area": [list(step) for step in values["owed_by_area"]]})
    session.add(row)
    session.flush()
    return row


def lay_hours(session: Session, mall: Mall, *, starts_on: date = LONG_AGO, opens: int = TEN, closes: int = SIX) -> None:
    """Open Monday to Saturday, closed on Sundays."""
    for weekday in range(7):
        times = (opens, closes) if weekday < 6 else (None, None)
        session.add(OpeningHours(mall_id=mall.id, starts_on=starts_on, weekday=weekday, opens_min=times[0], closes_min=times[1]))
    session.flush()


def lay_post(session: Session, mall: Mall, name: str = "Desk", kind: str = "desk") -> Post:
    post = Post(mall_id=mall.id, name=name, kind=kind)
    session.add(post)
    session.flush()
    return post


def lay_need(session: Session, post: Post, **changes: Any) -> PostNeed:
    """One person from opening to closing on every day, unless told."""
    values: dict[str, Any] = {
        "starts_on": LONG_AGO,
        "ends_on": None,
        "weekdays": EVERY_DAY,
        "from_what": "open",
        "from_min": 0,
        "to_what": "close",
        "to_min": 0,
        "people": 1,
        "key_holders": 0,
    }
    row = PostNeed(post_id=post.id, **values | changes)
    session.add(row)
    session.flush()
    return row


def lay_fact(session: Session, member_id: int, kind: str, **changes: Any) -> TurnFact:
    """A fact at every mall, long since, unless told."""
    values: dict[str, Any] = {"mall_id": None, "starts_on": LONG_AGO, "ends_on": None, "words": "", "less": None}
    row = TurnFact(member_id=member_id, kind=kind, **values | changes)
    session.add(row)
    session.flush()
    return row


def lay_mall(session: Session, mall: Mall, **rules: Any) -> tuple[Post, Post]:
    """A mall with turns: its rules, hours, a desk in two halves of the day and somebody on the floor on Saturdays."""
    lay_rules(session, mall, **rules)
    lay_hours(session, mall)
    desk, floor = lay_post(session, mall), lay_post(session, mall, "Floor", "floor")
    lay_need(session, desk, weekdays=WEEKDAYS, to_what="clock", to_min=TWO, key_holders=1)
    lay_need(session, desk, weekdays=WEEKDAYS, from_what="clock", from_min=TWO, key_holders=1)
    lay_need(session, floor, weekdays=SATURDAY)
    return desk, floor


def lay_rota(session: Session, mall: Mall, month: Month) -> Rota:
    """A draft with the turns that the mall's hours and posts ask for, nobody's yet."""
    rota = Rota(mall_id=mall.id, first_day=month.first_day, state="draft")
    session.add(rota)
    session.flush()
    for seat in seats_of(session, mall, month):
        session.add(
            Turn(
                rota_id=rota.id,
                mall_id=mall.id,
                post_id=seat.post_id,
                seat=seat.seat,
                on_date=seat.on_date,
                starts_at=seat.starts_at,
                ends_at=seat.ends_at,
                opens=seat.opens,
                closes=seat.closes,
                needs_keys=seat.needs_keys,
                holiday=seat.holiday,
            )
        )
    session.flush()
    return rota


def lay_published(session: Session, rota: Rota, now: datetime, user_id: int | None = None) -> None:
    """Publish a rota as it stands, beside the service: no mail is written."""
    for turn in turns_of(session, rota):
        session.add(
            TurnChange(
                turn_id=turn.id,
                at=now,
                how="published",
                from_member_id=None,
                to_member_id=turn.member_id,
                by_user_id=user_id,
                offer_id=None,
            )
        )
    rota.state, rota.published_at, rota.published_by = "published", now, user_id
    session.flush()


def turns_of(session: Session, rota: Rota) -> list[Turn]:
    """By beginning, post and seat."""
    rows = select(Turn).where(Turn.rota_id == rota.id).order_by(Turn.starts_at, Turn.post_id, Turn.seat)
    return list(session.scalars(rows))


def add_turn_rows(session: Session, now: datetime, mall: Mall, user_id: int | None = None) -> TurnsLaid:
    """The house's turns: November 2026 is published. They change nothing else in the house, its log neither."""
    ida, amos = (session.scalars(select(Dealer).where(Dealer.code == code)).one().member_id for code in ("D01", "D02"))
    desk, _ = lay_mall(
        session, mall, owed_base=Decimal(4), most_week=6, most_in_row=6, paid_substitutes=True, buy_out_cents=40_00
    )
    to_come = lay_rules(session, mall, starts_on=date(2027, 1, 1), owed_base=Decimal(3))
    lay_hours(session, mall, starts_on=date(2027, 1, 1), opens=TEN + 60)
    session.add(HolidayChoice(mall_id=mall.id, name="Thanksgiving Day", starts_on=LONG_AGO, how="closed"))
    fair = OpeningException(
        mall_id=mall.id, on_date=date(2026, 12, 5), opens_min=TEN - 60, closes_min=SIX + 120, why="Winter fair", made_at=now
    )
    session.add(fair)
    need = lay_need(session, desk, starts_on=date(2026, 12, 1), weekdays=SATURDAY, from_what="clock", from_min=TEN + 60)
    for member_id in (ida, amos):
        lay_fact(session, member_id, "trained")
        lay_fact(session, member_id, "keys")
    office = lay_fact(session, ida, "office", words="Treasurer", less=Decimal(1), starts_on=date(2026, 1, 1))
    pair = TurnPair(one_id=min(ida, amos), other_id=max(ida, amos), how="together", starts_on=LONG_AGO, ended_on=None)
    helper = TurnHelper(member_id=ida, name="Rufus Fenwick", phone="555-0142", trained_on=LONG_AGO, named_at=now, ended_on=None)
    never = Availability(
        member_id=amos,
        kind="never",
        starts_on=date(2026, 12, 24),
        ends_on=date(2026, 12, 26),
        weekdays=EVERY_DAY,
        every_weeks=1,
        from_min=0,
        to_min=1440,
        said_at=now,
        ended_at=None,
    )
    rather_not = Availability(
        member_id=ida,
        kind="rather not",
        starts_on=date(2026, 12, 7),
        ends_on=None,
        weekdays=0b0000001,
        every_weeks=1,
        from_min=0,
        to_min=1440,
        said_at=now,
        ended_at=None,
    )
    feed = CalendarFeed(
        user_id=session.scalars(select(UserAccount.id).where(UserAccount.member_id == ida)).one(),
        kind="turns",
        label="My phone",
        token_sha256=hash_token("the house's calendar of turns"),
        created_at=now,
    )
    opening = TurnAccount(
        mall_id=mall.id,
        member_id=ida,
        first_day=date(2026, 10, 1),
        kind="opening",
        key="opening",
        turns=Decimal(-1),
        working="carried from paper",
        turn_id=None,
        at=now,
    )
    session.add_all([pair, helper, never, rather_not, feed, opening])
    rota = lay_rota(session, mall, NOVEMBER)
    found: dict[tuple[int, bool], Turn] = {}
    for turn in turns_of(session, rota):
        morning = turn.opens and not turn.closes
        if turn.opens == turn.closes or (morning and turn.on_date.day == 10):
            continue
        turn.member_id = ida if morning else amos
        found[turn.on_date.day, morning] = turn
    found_open = next(turn for turn in turns_of(session, rota) if turn.on_date.day == 10 and turn.opens)
    session.flush()
    lay_published(session, rota, now - timedelta(days=10), user_id)
    _lay_days(session, mall, found[2, True], found[2, False])
    offer = TurnOffer(turn_id=found[20, True].id, kind="give", by_member_id=ida, words="Out of town", made_at=now)
    session.add(offer)
    session.flush()
    return TurnsLaid(
        rota=rota.id,
        turn=found[20, True].id,
        other_turn=found[20, False].id,
        open_turn=found_open.id,
        missed=found[2, False].id,
        today=found[3, True].id,
        offer=offer.id,
        helper=helper.id,
        pair=pair.id,
        fact=office.id,
        post=desk.id,
        need=need.id,
        exception=fair.id,
        rule=to_come.id,
        said=rather_not.id,
        feed=feed.id,
    )


def _lay_days(session: Session, mall: Mall, worked: Turn, missed: Turn) -> None:
    """A day of which one turn was worked and one missed, and the mall's own lists."""
    session.add(Attendance(turn_id=worked.id, signed_in_at=worked.starts_at, signed_out_at=worked.ends_at))
    session.add(Attendance(turn_id=missed.id, missed_at=missed.starts_at + timedelta(minutes=30)))
    for kind, lines in (("opening", ("Lights on", "Count the float")), ("closing", ("Lock the back door",))):
        for place, words in enumerate(lines, start=1):
            session.add(ChecklistItem(mall_id=mall.id, kind=kind, place=place, words=words, starts_on=LONG_AGO, ended_on=None))
    session.flush()
