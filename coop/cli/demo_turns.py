"""The demo's turns: begun at the town's mall two months before the running one. Hours, posts, people, rotas, who came."""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from coop.cli.demo_coop import MANAGER, Demo, DemoMall, mall_of, user_of
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.overflow.telling import TELL as TELL_OF_FLOOR
from coop.shifts.answering import answer_month, give_availability
from coop.shifts.attending import decide, sign_in, sign_out, turns_on, watch_turns
from coop.shifts.checklists import set_list
from coop.shifts.domain.hours import CLOSED, EVERY_DAY, Hours
from coop.shifts.domain.spans import Said
from coop.shifts.drafting import draft, hold_unchanged, keep_draft
from coop.shifts.hours import choose_holiday, set_week
from coop.shifts.models import Rota, Turn
from coop.shifts.month_facts import read_facts
from coop.shifts.offering import Terms, offer_turn
from coop.shifts.people import name_helper, set_fact, set_pair
from coop.shifts.planning import ensure_rota
from coop.shifts.posts import add_need, add_post
from coop.shifts.publishing import publish
from coop.shifts.reminding import TELL
from coop.shifts.rules import set_rules
from coop.shifts.solving.outcome import Stop

MONTHS_BACK = 2
TEN, HALF_PAST_ONE, HALF_PAST_FIVE = 600, 810, 1050
_WEEKEND, _TUESDAY_ON = 0b1100000, 0b1111110
_SEARCH = 3
"""The solver's own count of work: some seconds, and the same draft from the same seed."""
_NEW = (11, 12, 26)
"""Dealers by number who are not trained yet."""
_FREE = ("never", "rather not", "like")
_OPENING = ("Lights and music on", "Float counted into the drawer", "Aisles clear of overflow", "Sign at the door turned")
_CLOSING = ("Cases locked", "Drawer counted", "Back door locked", "Lights and heaters off", "Alarm set")


def begin(session: Session, now: datetime, demo: Demo, made: DemoMall, starts_on: date) -> None:
    """What a mall sets once: its hours, posts and rules, who is trained and holds a key; and what members said of their days."""
    mall, by = mall_of(session, made), By(user_of(session, MANAGER))
    week = {weekday: CLOSED if weekday == 0 else Hours(TEN, HALF_PAST_FIVE) for weekday in range(7)}
    set_week(session, now, mall, starts_on, week, by=by)
    for name in ("Christmas Day", "New Year's Day", "Thanksgiving Day"):
        choose_holiday(session, now, mall, name, "closed", starts_on=starts_on, by=by)
    set_rules(
        session,
        now,
        mall,
        starts_on,
        by=by,
        owed_base=Decimal(2),
        owed_by_area=((150_00, 50), (200_00, 100)),
        owed_most=Decimal(4),
        most_week=2,
        most_in_row=2,
        least_people=2,
        least_weekdays=_WEEKEND,
        holidays_of="US",
        no_show="charge",
        no_show_cents=35_00,
        buy_out_cents=35_00,
        paid_substitutes=True,
        carry_most=Decimal(4),
    )
    _posts(session, now, mall, starts_on, by)
    _people(session, now, demo, made, starts_on, by)
    set_list(session, now, mall, "opening", _OPENING, by=by)
    set_list(session, now, mall, "closing", _CLOSING, by=by)


def _posts(session: Session, now: datetime, mall: Mall, starts_on: date, by: By) -> None:
    desk, floor = add_post(session, now, mall, "Desk", "desk", by=by), add_post(session, now, mall, "Floor", "floor", by=by)
    for post, weekdays, keys in ((desk, _TUESDAY_ON, 1), (floor, _WEEKEND, 0)):
        first = {"from_what": "open", "from_min": -15 if keys else 0, "to_what": "clock", "to_min": HALF_PAST_ONE}
        second = {"from_what": "clock", "from_min": HALF_PAST_ONE, "to_what": "close", "to_min": 15 if keys else 0}
        for span in (first, second):
            add_need(session, now, post, starts_on=starts_on, weekdays=weekdays, key_holders=keys, by=by, **span)
    add_need(
        session, now, floor, starts_on=starts_on, weekdays=0b0011110, from_what="clock", from_min=HALF_PAST_ONE, people=1, by=by
    )


def _people(session: Session, now: datetime, demo: Demo, made: DemoMall, starts_on: date, by: By) -> None:
    chance = random.Random(f"{demo.seed}:turns")
    members = {}
    for one in demo.here(made):
        dealer = session.scalar(select(Dealer).where(Dealer.code == f"D{one.number:02d}"))
        if dealer is None:
            continue
        members[one.number] = member = dealer.member
        if one.number not in _NEW:
            set_fact(session, now, member, "trained", starts_on=starts_on, by=by)
        if one.number % 4 and one.number not in _NEW:
            set_fact(session, now, member, "keys", starts_on=starts_on, by=by)
        if chance.random() < 0.6:
            weekdays = 1 << chance.choice((1, 2, 3, 4)) | (1 << chance.choice((5, 6)) if chance.random() < 0.3 else 0)
            kind = chance.choice(_FREE)
            ends = chance.choice(((0, 1440), (0, HALF_PAST_ONE), (HALF_PAST_ONE, 1440)))
            give_availability(session, now, member, Said(kind, starts_on, None, weekdays, 1, *ends))
        if chance.random() < 0.2:
            give_availability(session, now, member, Said("stand in", starts_on, None, EVERY_DAY, 1, 0, 1440))
    numbers = sorted(members)
    set_fact(session, now, members[numbers[1]], "office", starts_on=starts_on, words="Treasurer", less=Decimal(1), by=by)
    set_pair(session, now, members[numbers[5]], members[numbers[8]], "apart", starts_on, by=by)
    name_helper(session, now, members[numbers[2]], "Wendel Larkrise", phone="555-0148", trained_on=starts_on, by=by)


def answer(demo: Demo, made: DemoMall, month: Month, session: Session, now: datetime) -> None:
    """Every other member says that all is said for a month."""
    for one in demo.here(made)[::2]:
        dealer = session.scalar(select(Dealer).where(Dealer.code == f"D{one.number:02d}"))
        if dealer is not None and dealer.member.left_on is None:
            answer_month(session, now, dealer.member, month)


def publish_month(demo: Demo, now: datetime, made: DemoMall, month: Month) -> None:
    """A month drafted as the office drafts it, and published."""
    with transaction(demo.coop.sessions) as session:
        mall = mall_of(session, made)
        rota = ensure_rota(session, now, mall, month)
        session.flush()
        rota_id, version, facts = rota.id, rota.version, read_facts(session, rota)
    problem, outcome = draft(facts, Stop.repeatable(_SEARCH, seed=demo.seed))
    with transaction(demo.coop.sessions) as session:
        rota = hold_unchanged(session, rota_id, version)
        keep_draft(session, now, rota, facts, problem, outcome, seed=demo.seed)
        publish(session, now, rota, user_of(session, MANAGER))


def stand(demo: Demo, made: DemoMall, on: date, session: Session, now: datetime) -> None:
    """Who came on a day, each at the time: nearly all, now and then late, once a month nobody."""
    chance = random.Random(f"{demo.seed}:came:{on}")
    for seen in turns_on(session, mall_of(session, made), on):
        turn = seen.turn
        if turn.member_id is None or turn.starts_at > now:
            continue
        if on.day == 17 and not turn.opens:
            watch_turns(session, min(now, turn.starts_at + timedelta(minutes=31)), {})
            continue
        late = timedelta(minutes=chance.choice((-8, -5, -3, -1, 2, 4, 14)))
        sign_in(session, turn.starts_at + late, turn, turn.member_id)
        if turn.ends_at <= now:
            sign_out(session, turn.ends_at + timedelta(minutes=4), turn)


def judge_missed(made: DemoMall, on: date, session: Session, now: datetime) -> None:
    """The first who did not come is charged, the others are excused."""
    decisions = ["charged"]
    for seen in turns_on(session, mall_of(session, made), on):
        if seen.turn.member_id is not None and seen.attendance is not None and seen.attendance.missed_at is not None:
            decision = decisions.pop() if decisions else "excused"
            note = "" if decision == "charged" else "Ill, and called"
            decide(session, now, seen.turn, decision, user_id=user_of(session, MANAGER), note=note)


def offer(made: DemoMall, session: Session, now: datetime) -> None:
    """An afternoon in some days is offered to all, and still open."""
    mall_id = mall_of(session, made).id
    coming = (
        select(Turn)
        .join(Rota, Rota.id == Turn.rota_id)
        .where(Rota.mall_id == mall_id, Rota.state == "published", Turn.member_id.is_not(None), Turn.opens.is_(False))
        .where(Turn.starts_at > now + timedelta(days=3))
        .order_by(Turn.starts_at, Turn.id)
    )
    turn = session.scalars(coming.limit(1)).first()
    if turn is not None and turn.member_id is not None:
        offer_turn(session, now, turn, Terms(words="At a fair that day", pays_cents=30_00), member_id=turn.member_id)


def leave_untold(session: Session, now: datetime) -> None:
    """Mails of turns and of lent floor that were to go out more than ten days ago are left: served now, they would come months
    late.
    """
    old = update(Job).where(Job.kind.in_((TELL, TELL_OF_FLOOR)), Job.state == "queued", Job.created_at < now - timedelta(days=10))
    session.execute(old.values(state="done", finished_at=now).execution_options(synchronize_session=False))
