"""A helper sent to a member's turn, and called off when the helper ends or may stand alone no more."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Member
from coop.shifts.attending import sign_in
from coop.shifts.helping import drop_helper, send_helper, untrain_helper
from coop.shifts.models import Turn, TurnHelper
from coop.shifts.people import name_helper
from tests.factories.rotas import Drafted
from tests.factories.turns import lay_published
from tests.integration.leases.test_two_at_once import POSTGRESQL
from tests.together import act_late, told_second

FIRST = date(2026, 12, 1)
OPENS = datetime(2026, 12, 1, 16, tzinfo=UTC)
"""10 am by the clock of the hall."""


@pytest.fixture
def sent(sessions: Sessions, now: datetime) -> Drafted:
    """D01 opens on December 1, 2 and 3, and Wren comes to all three."""
    hall = Drafted(sessions, now)
    hall.seat("D01", 1, 2, 3)
    with transaction(sessions) as session:
        lay_published(session, hall.rota(session), now)
        member = session.get_one(Member, hall.members["D01"])
        helper = name_helper(session, now, member, "Wren Abbot", trained_on=date(2026, 11, 1))
        for day in (1, 2, 3):
            send_helper(session, now, hall.turn(session, day), helper, member_id=member.id)
    return hall


def wren(session: Session) -> TurnHelper:
    return session.scalars(select(TurnHelper)).one()


def who_helps(hall: Drafted) -> dict[int, bool]:
    with transaction(hall.sessions) as session:
        return {day: hall.turn(session, day).helper_id is not None for day in (1, 2, 3)}


def drop(session: Session, at: datetime) -> None:
    drop_helper(session, at, wren(session), FIRST)


def untrain(session: Session, at: datetime) -> None:
    untrain_helper(session, at, wren(session))


@pytest.mark.parametrize("call_off", [drop, untrain])
def test_a_helper_who_signed_in_early_stays_at_that_turn_and_is_called_off_from_the_others(
    sent: Drafted, call_off: Callable[[Session, datetime], None]
) -> None:
    early = OPENS - timedelta(minutes=40)
    with transaction(sent.sessions) as session:
        sign_in(session, early, sent.turn(session, 1), sent.members["D01"], helper_id=wren(session).id)
        call_off(session, early + timedelta(minutes=10))
    assert who_helps(sent) == {1: True, 2: False, 3: False}
    with transaction(sent.sessions) as session:
        row = wren(session)
        assert (row.ended_on == FIRST, row.trained_on is None) == ((True, False) if call_off is drop else (False, True))


@POSTGRESQL
def test_a_helper_who_signs_in_while_being_called_off_stays_at_that_turn(sent: Drafted) -> None:
    early = OPENS - timedelta(minutes=40)

    def come(session: Session) -> None:
        sign_in(session, early, sent.turn(session, 1), sent.members["D01"], helper_id=wren(session).id)

    assert told_second(sent.sessions, come, lambda session: drop(session, early)) == ""
    assert who_helps(sent) == {1: True, 2: False, 3: False}


@POSTGRESQL
def test_a_helper_who_ended_meanwhile_is_sent_to_no_turn(sent: Drafted) -> None:
    with transaction(sent.sessions) as session:
        send_helper(session, sent.now, sent.turn(session, 3), None, member_id=sent.members["D01"])

    def send(session: Session, helper: TurnHelper) -> None:
        send_helper(session, sent.now, sent.turn(session, 3), helper, member_id=sent.members["D01"])

    with pytest.raises(Refusal, match="Wren Abbot is your helper no more on Dec 3, 2026"):
        act_late(sent.sessions, wren, lambda session: drop_helper(session, sent.now, wren(session), FIRST), send)
    assert who_helps(sent) == {1: False, 2: False, 3: False}


@POSTGRESQL
def test_a_helper_who_may_stand_alone_no_more_does_not_sign_in(sent: Drafted) -> None:
    """The desk still shows Wren, whom the manager has just called off: the sign-in is refused, not written."""

    def come(session: Session, seen: tuple[Turn, TurnHelper]) -> None:
        sign_in(session, OPENS, seen[0], sent.members["D01"], helper_id=seen[1].id)

    with pytest.raises(Refusal, match="Wren Abbot may not stand alone yet"):
        act_late(
            sent.sessions,
            lambda session: (sent.turn(session, 1), wren(session)),
            lambda session: untrain(session, sent.now),
            come,
        )
