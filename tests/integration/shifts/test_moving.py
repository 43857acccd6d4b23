"""Turns moved by the manager: given, exchanged, given up and locked; refused, or told with what it breaks."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.floor.models import Mall
from coop.shifts.models import Turn
from coop.shifts.moving import difference, exchange_difference, exchange_turns, lock_turn, move_turn
from coop.shifts.turn_models import Attendance, TurnAccount, TurnChange, TurnOffer
from tests.factories.leases import make_lease, make_space
from tests.factories.people import make_dealer, make_mall
from tests.factories.rotas import DECEMBER, Drafted
from tests.factories.turns import lay_mall, lay_published, lay_rota, turns_of


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Drafted:
    return Drafted(sessions, now)


@pytest.fixture
def published(hall: Drafted) -> Drafted:
    """D01 opens and D02 closes on December 1 and 2."""
    hall.seat("D01", 1, 2)
    hall.seat("D02", 1, 2, opens=False)
    with transaction(hall.sessions) as session:
        lay_published(session, hall.rota(session), hall.now)
    return hall


def give(hall: Drafted, session: Session, turn: Turn, code: str | None, **more: bool) -> list[str]:
    """Move a turn at the rota's own version; the rules it breaks."""
    member_id = hall.members[code] if code else None
    broken = move_turn(session, hall.now, turn, member_id, version=hall.version(session), user_id=None, **more)
    return [one.rule for one in broken]


def changes(session: Session, turn: Turn) -> list[tuple[str, int | None, int | None]]:
    rows = select(TurnChange).where(TurnChange.turn_id == turn.id, TurnChange.how != "published").order_by(TurnChange.id)
    return [(one.how, one.from_member_id, one.to_member_id) for one in session.scalars(rows)]


def logged(session: Session) -> list[tuple[str, str]]:
    rows = select(AuditLog.action, AuditLog.detail).where(AuditLog.subject_kind == "rota", AuditLog.action.startswith("turn "))
    return [(action, detail) for action, detail in session.execute(rows.order_by(AuditLog.id))]


def told(session: Session) -> list[int]:
    """The turns whose members are told that they were moved."""
    jobs = session.scalars(select(Job).where(Job.kind == "shifts.tell").order_by(Job.id))
    return [job.args["turn"] for job in jobs if job.args["what"] == "moved"]


# --- a draft --------------------------------------------------------------------------------------------------------------


def test_a_turn_of_a_draft_is_given_and_keeps_no_history(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        turn, version = hall.turn(session, 1), hall.version(session)
        assert give(hall, session, turn, "D01", lock=True) == []
    with transaction(hall.sessions) as session:
        turn = hall.turn(session, 1)
        assert (turn.member_id, turn.locked) == (hall.members["D01"], True)
        assert turn.why.startswith("Given by the manager on ")
        assert hall.version(session) == version + 1
        assert changes(session, turn) == []
        assert told(session) == []
        ida = hall.members["D01"]
        said = f"turn {turn.id} of {turn.on_date}: member none before, member {ida} now"
        assert logged(session) == [("turn moved", said)]
        assert "uncovered" in give(hall, session, turn, None)
        assert (turn.member_id, turn.locked, turn.why) == (None, False, "")


def test_a_draft_may_break_rules_and_says_which(hall: Drafted) -> None:
    """D04 is neither trained nor holds a key: alone at the desk that breaks two hard rules."""
    with transaction(hall.sessions) as session:
        turn = hall.turn(session, 1)
        before = difference(session, turn, hall.members["D04"])
        assert turn.member_id is None
        broken = move_turn(session, hall.now, turn, hall.members["D04"], version=hall.version(session), user_id=None)
        assert {one.rule for one in broken} >= {"beside", "keys"}
        assert set(broken) == set(before.broken)
        assert all(one.hard for one in broken)
        assert turn.member_id == hall.members["D04"]


def test_a_difference_says_what_a_move_mends(hall: Drafted) -> None:
    hall.seat("D04", 1)
    with transaction(hall.sessions) as session:
        found = difference(session, hall.turn(session, 1), hall.members["D01"])
        assert found.broken == ()
        assert {one.rule for one in found.mended} >= {"beside", "keys"}


def test_a_move_made_from_an_older_page_is_refused(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        version = hall.version(session)
        give(hall, session, hall.turn(session, 1), "D01")
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match="December 2026 was changed since"):
        move_turn(session, hall.now, hall.turn(session, 2), hall.members["D02"], version=version, user_id=None)


def test_of_two_who_move_at_once_the_second_is_told(hall: Drafted) -> None:
    """Both have read the same version; the first has not committed when the second looks."""
    with hall.sessions() as one, hall.sessions() as other:
        version = hall.version(other)
        turn = hall.turn(other, 1)
        other.rollback()
        move_turn(one, hall.now, hall.turn(one, 1), hall.members["D01"], version=version, user_id=None)
        one.commit()
        with pytest.raises(Refusal, match="was changed since"):
            move_turn(other, hall.now, turn, hall.members["D02"], version=version, user_id=None)
        other.rollback()
    with transaction(hall.sessions) as session:
        assert hall.turn(session, 1).member_id == hall.members["D01"]


def test_nobody_is_at_two_places_at_once(hall: Drafted) -> None:
    """Saturday the 5th has the desk and the floor."""
    hall.seat("D01", 5)
    with hall.sessions() as session, session.begin():
        with pytest.raises(Refusal) as refused:
            give(hall, session, hall.turn(session, 5, post="Floor"), "D01")
        assert str(refused.value) == (
            "Ida Fenwick cannot have Floor on Sat, Dec 5, 10 am to 6 pm: at that time the member has Desk on Sat, Dec 5, "
            "10 am to 2 pm. Give one of them to somebody else first."
        )


def test_a_turn_at_another_mall_stands_in_the_way_with_its_name(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        annex = make_mall(session, hall.now, "ANNEX")
        annex.name = "Mill Annex"
        lay_mall(session, annex)
        rota = lay_rota(session, annex, DECEMBER)
        next(turn for turn in turns_of(session, rota) if turn.on_date.day == 1 and turn.opens).member_id = hall.members["D01"]
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match="10 am to 2 pm, Mill Annex"):
        give(hall, session, hall.turn(session, 1), "D01")


def test_who_has_no_lease_here_takes_no_part(hall: Drafted) -> None:
    with transaction(hall.sessions) as session:
        annex = make_mall(session, hall.now, "ANNEX")
        stranger = make_dealer(session, hall.now, "D09")
        make_lease(session, hall.now, annex, stranger, [make_space(session, hall.now, annex, "90")])
        hall.members["D09"] = stranger.member_id
    with hall.sessions() as session, session.begin(), pytest.raises(Refusal, match=r"has no lease at .* in December 2026"):
        give(hall, session, hall.turn(session, 1), "D09")


def test_who_has_it_already_is_not_given_it(hall: Drafted) -> None:
    hall.seat("D01", 1)
    with hall.sessions() as session, session.begin():
        with pytest.raises(Refusal, match="has Desk on Tue, Dec 1, 10 am to 2 pm already"):
            give(hall, session, hall.turn(session, 1), "D01")
        with pytest.raises(Refusal, match="Nobody has Desk on Wed, Dec 2"):
            give(hall, session, hall.turn(session, 2), None)


def test_two_turns_are_exchanged_and_locked_as_asked(hall: Drafted) -> None:
    """Nothing keeps a member from having, for a moment, what the other has: the same hours are exchanged too."""
    hall.seat("D01", 1)
    hall.seat("D02", 2)
    with transaction(hall.sessions) as session:
        one, other = hall.turn(session, 1), hall.turn(session, 2)
        one.locked = True
        assert exchange_difference(session, one, other).broken == ()
        locks = (False, True)
        broken = exchange_turns(session, hall.now, one, other, version=hall.version(session), user_id=None, locks=locks)
        assert broken == []
        assert (one.member_id, other.member_id) == (hall.members["D02"], hall.members["D01"])
        assert (one.locked, other.locked) == (False, True)
        free = hall.turn(session, 3)
        exchange_turns(session, hall.now, one, free, version=hall.version(session), user_id=None, locks=(True, True))
        assert (one.member_id, free.member_id) == (None, hall.members["D02"])
        assert (one.locked, free.locked) == (False, True)
        with pytest.raises(Refusal, match="are had by the same"):
            exchange_difference(session, one, hall.turn(session, 4))


def test_a_turn_is_locked_and_let_go(hall: Drafted) -> None:
    hall.seat("D01", 1)
    with transaction(hall.sessions) as session:
        turn, version = hall.turn(session, 1), hall.version(session)
        lock_turn(session, hall.now, turn, True, version=version)
        assert turn.locked
        assert hall.version(session) == version + 1
        lock_turn(session, hall.now, turn, False, version=version + 1)
        assert not turn.locked
        said = f"turn {turn.id} of {turn.on_date}"
        assert logged(session) == [("turn locked", said), ("turn unlocked", said)]
        with pytest.raises(Refusal, match="Nobody has Desk on Wed, Dec 2"):
            lock_turn(session, hall.now, hall.turn(session, 2), True, version=hall.version(session))


# --- a published rota -----------------------------------------------------------------------------------------------------


def test_a_published_turn_is_not_moved_without_consent(published: Drafted) -> None:
    with published.sessions() as session, session.begin():
        with pytest.raises(Refusal, match="without consent: ask Ruth Ambler, and tick that it is agreed"):
            give(published, session, published.turn(session, 1), "D03")
        with pytest.raises(Refusal, match="is published: no draft changes it"):
            lock_turn(session, published.now, published.turn(session, 1), True, version=published.version(session))


def test_a_published_turn_moves_with_consent_keeps_its_history_and_ends_its_offer(published: Drafted) -> None:
    ida, cleo = published.members["D01"], published.members["D03"]
    with transaction(published.sessions) as session:
        turn = published.turn(session, 1)
        session.add(TurnOffer(turn_id=turn.id, kind="give", by_member_id=ida, made_at=published.now))
    with transaction(published.sessions) as session:
        turn = published.turn(session, 1)
        assert give(published, session, turn, "D03", consent=True, lock=True) == []
        assert not turn.locked
        assert changes(session, turn) == [("moved", ida, cleo)]
        assert session.scalars(select(TurnOffer.state)).all() == ["lapsed"]
        assert told(session) == [turn.id]


def test_a_turn_that_was_swapped_since_it_was_looked_at_is_not_moved(published: Drafted) -> None:
    """Members swap among themselves, which counts no version."""
    with transaction(published.sessions) as session:
        published.turn(session, 1).member_id = published.members["D03"]
    with published.sessions() as session, session.begin():
        turn, version, had = published.turn(session, 1), published.version(session), published.members["D01"]
        with pytest.raises(Refusal, match="Ruth Ambler has Desk on Tue, Dec 1, 10 am to 2 pm since this page was shown"):
            move_turn(session, published.now, turn, None, version=version, user_id=None, had=had)


def test_a_published_turn_is_given_up_without_anybodys_consent(published: Drafted) -> None:
    with transaction(published.sessions) as session:
        turn = published.turn(session, 1)
        give(published, session, turn, None)
        assert changes(session, turn) == [("left", published.members["D01"], None)]


def test_both_agree_before_published_turns_are_exchanged(published: Drafted) -> None:
    with transaction(published.sessions) as session:
        one, other = published.turn(session, 1), published.turn(session, 2, opens=False)
        version = published.version(session)
        with pytest.raises(Refusal, match="ask Amos Pell and Ida Fenwick, and tick"):
            exchange_turns(session, published.now, one, other, version=version, user_id=None)
        session.rollback()
    with transaction(published.sessions) as session:
        one, other = published.turn(session, 1), published.turn(session, 2, opens=False)
        exchange_turns(session, published.now, one, other, version=published.version(session), user_id=None, consent=True)
        assert [how for how, _, _ in changes(session, one) + changes(session, other)] == ["moved", "moved"]


def test_who_came_stays_and_what_is_counted_is_not_moved(published: Drafted) -> None:
    with transaction(published.sessions) as session:
        turn, other = published.turn(session, 1), published.turn(session, 2)
        session.add(Attendance(turn_id=turn.id, signed_in_at=turn.starts_at + timedelta(minutes=2)))
        session.add(
            TurnAccount(
                mall_id=published.mall_id,
                member_id=published.members["D01"],
                first_day=DECEMBER.first_day,
                kind="worked",
                key=f"worked:{other.id}",
                turns=1,
                working="Desk",
                turn_id=other.id,
                at=published.now,
            )
        )
    with published.sessions() as session, session.begin():
        with pytest.raises(Refusal, match="has signed in to Desk on Tue, Dec 1"):
            give(published, session, published.turn(session, 1), "D03", consent=True)
        with pytest.raises(Refusal, match="is counted in its month-end"):
            give(published, session, published.turn(session, 2), "D03", consent=True)


def test_nobody_is_put_where_the_mall_does_not_open(published: Drafted) -> None:
    with transaction(published.sessions) as session:
        published.turn(session, 1).state = "closed"
    with published.sessions() as session, session.begin(), pytest.raises(Refusal, match="does not open for Desk on Tue, Dec 1"):
        give(published, session, published.turn(session, 1), "D03", consent=True)
    with transaction(published.sessions) as session:
        assert session.get_one(Mall, published.mall_id).code == "MAIN"
