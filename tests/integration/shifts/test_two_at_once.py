"""Two who set the same of a mall's turns at once: the second is told of the first, and nothing is written twice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.sales.drawers import count_drawer
from coop.sales.models import DrawerCount
from coop.shifts import attending, hours, people, posts, rules
from coop.shifts.domain.hours import CLOSED
from coop.shifts.drafting import KIND, ask_draft
from coop.shifts.models import OpeningException, TurnFact, TurnRule
from coop.shifts.planning import ensure_rota
from coop.shifts.publishing import publish
from coop.shifts.turn_models import Attendance
from tests.factories.rotas import DECEMBER, Drafted
from tests.factories.turns import lay_published
from tests.integration.leases.test_two_at_once import POSTGRESQL
from tests.together import act_late, told_second

NEW_YEAR = date(2027, 1, 1)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Drafted:
    return Drafted(sessions, now)


def mall_of(session: Session) -> Mall:
    return session.scalars(select(Mall)).one()


def count_log(hall: Drafted, action: str) -> int:
    with transaction(hall.sessions) as session:
        return session.scalar(select(func.count()).where(AuditLog.action == action)) or 0


@POSTGRESQL
def test_no_draft_is_asked_of_a_rota_published_meanwhile(hall: Drafted) -> None:
    with pytest.raises(Refusal, match="The rota of December 2026 is published: it is not drafted again"):
        act_late(
            hall.sessions,
            hall.rota,
            lambda session: publish(session, hall.now, hall.rota(session), None),
            lambda session, rota: ask_draft(session, hall.now, rota),
        )
    with transaction(hall.sessions) as session:
        assert session.scalar(select(func.count()).where(Job.kind == KIND)) == 0


def test_a_draft_is_asked_by_one_of_two(hall: Drafted) -> None:
    def ask(session: Session) -> None:
        ask_draft(session, hall.now, hall.rota(session))

    assert told_second(hall.sessions, ask, ask) == "A draft of December 2026 is under way: wait for it, or stop it."


def test_rules_of_one_day_are_set_by_one_of_two(hall: Drafted) -> None:
    def set_rules(session: Session) -> TurnRule:
        return rules.set_rules(session, hall.now, mall_of(session), NEW_YEAR)

    assert "has rules of turns from Jan 1, 2027 already" in told_second(hall.sessions, set_rules, set_rules)


def test_a_post_is_made_by_one_of_two(hall: Drafted) -> None:
    def add(session: Session) -> object:
        return posts.add_post(session, hall.now, mall_of(session), "Porch", "floor")

    assert told_second(hall.sessions, add, add) == "There is a post Porch already: choose another name."


def _rules(hall: Drafted, session: Session) -> object:
    return rules.set_rules(session, hall.now, mall_of(session), NEW_YEAR)


def _date(hall: Drafted, session: Session) -> object:
    return hours.set_exception(session, hall.now, mall_of(session), NEW_YEAR, CLOSED, "snow")


def _fact(hall: Drafted, session: Session) -> object:
    member = session.get_one(Member, hall.members["D04"])
    return people.set_fact(session, hall.now, member, "keys", starts_on=NEW_YEAR)


TAKEN_BACK: dict[str, tuple[Callable[[Drafted, Session], object], type, Callable[[Drafted, Session, object], None], str]] = {
    "rules": (
        _rules,
        TurnRule,
        lambda hall, session, row: rules.take_back_rules(session, hall.now, row),
        "rules of turns taken back",
    ),
    "hours of a date": (
        _date,
        OpeningException,
        lambda hall, session, row: hours.remove_exception(session, hall.now, mall_of(session), row),
        "hours of a date taken back",
    ),
    "fact": (
        _fact,
        TurnFact,
        lambda hall, session, row: people.end_fact(session, hall.now, row, date(2026, 12, 1)),
        "turn fact ended",
    ),
}


@POSTGRESQL
@pytest.mark.parametrize("what", TAKEN_BACK)
def test_what_is_taken_back_by_two_is_taken_back_once(hall: Drafted, what: str) -> None:
    make, kind, take_back, action = TAKEN_BACK[what]
    with transaction(hall.sessions) as session:
        row_id = make(hall, session).id
    with pytest.raises(StaleDataError):
        act_late(
            hall.sessions,
            lambda session: session.get_one(kind, row_id),
            lambda session: take_back(hall, session, session.get_one(kind, row_id)),
            lambda session, row: take_back(hall, session, row),
        )
    assert count_log(hall, action) == 1


def test_the_first_count_of_a_drawer_stays_with_its_turn(hall: Drafted) -> None:
    hall.seat("D01", 1)
    with transaction(hall.sessions) as session:
        lay_published(session, hall.rota(session), hall.now)
        turn = hall.turn(session, 1)
        mall, when = mall_of(session), turn.starts_at
        attending.sign_in(session, when, turn, hall.members["D01"])
        counts = [
            count_drawer(session, when, mall, key=key, drawer="", on=turn.on_date, counted_cents=0).id for key in ("k1", "k2")
        ]

    def hand_over(session: Session, count: int) -> None:
        attending.hand_over(session, hall.turn(session, 1), session.get_one(DrawerCount, count))

    first, second = (lambda session, count=count: hand_over(session, count) for count in counts)
    assert told_second(hall.sessions, first, second) == ""
    with transaction(hall.sessions) as session:
        assert session.scalars(select(Attendance.drawer_count_id)).one() == counts[0]


def test_turns_laid_out_are_in_the_log_where_anything_changed(hall: Drafted, now: datetime) -> None:
    with transaction(hall.sessions) as session:
        mall = mall_of(session)
        january = DECEMBER.next
        ensure_rota(session, now, mall, january)
        ensure_rota(session, now, mall, january)
        hours.set_exception(session, now, mall, date(2027, 1, 4), CLOSED, "snow")
        ensure_rota(session, now, mall, january)
        rows = select(AuditLog.action).where(AuditLog.subject_id == "MAIN 2027-01").order_by(AuditLog.id)
        assert session.scalars(rows).all() == ["turns laid out", "turns laid out anew"]
