"""Availability: until when it is given, what counts for a month, and who could stand in; on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.dealers.models import Member
from coop.shifts.answering import (
    MOST_RUNNING,
    answer_month,
    answers,
    answers_close,
    first_open_month,
    give_availability,
    stand_ins,
    standing,
    take_back,
)
from coop.shifts.domain.spans import Said
from coop.shifts.month_facts import read_facts
from tests.factories.leases import make_lease
from tests.factories.people import make_mall
from tests.factories.swaps import DECEMBER, Swaps
from tests.factories.turns import lay_published, lay_rota, lay_rules, turns_of

JANUARY = DECEMBER.next
LAST = datetime(2026, 11, 21, 5, 59, tzinfo=UTC)
"""The last minute of November 20 in Chicago, by the winter's clock."""
CLOSED = LAST + timedelta(minutes=1)


def said(**changes: Any) -> Said:
    values: dict[str, Any] = {
        "kind": "never",
        "starts_on": date(2026, 12, 1),
        "ends_on": None,
        "weekdays": 127,
        "every_weeks": 1,
        "from_min": 0,
        "to_min": 1440,
    }
    return Said(**values | changes)


@pytest.fixture
def session(sessions: Sessions) -> Iterator[Session]:
    with sessions() as session:
        yield session


@pytest.fixture
def yard(session: Session) -> Swaps:
    """Its December is published once the answers are closed."""
    return Swaps(session, CLOSED)


@pytest.fixture
def ida(session: Session, yard: Swaps) -> Member:
    return session.get_one(Member, yard.members["D01"])


def test_answers_close_at_midnight_by_the_malls_clock(session: Session, yard: Swaps) -> None:
    assert answers_close(session, yard.mall(session), DECEMBER) == CLOSED


def test_what_is_said_in_time_counts_and_what_is_late_is_refused(
    session: Session, yard: Swaps, ida: Member, now: datetime
) -> None:
    mall = yard.mall(session)
    give_availability(session, LAST, ida, said())
    assert answers(session, mall, DECEMBER) == {ida.id: (said(),)}
    late = (
        "^Answers for December 2026 are closed: begin on Jan 1, 2027 or later, for January 2027 is the next month it counts for"
    )
    with pytest.raises(Refusal, match=late):
        give_availability(session, CLOSED, ida, said(kind="like"))
    with pytest.raises(Refusal, match=r"^Answers for November 2026 are closed: begin on Dec 1, 2026"):
        give_availability(session, now, ida, said(kind="like", starts_on=date(2026, 11, 30)))
    # What begins in December with its first Saturday in January is of January.
    give_availability(session, CLOSED, ida, said(kind="like", starts_on=date(2026, 12, 27), weekdays=0b0100000))
    assert first_open_month(session, LAST, ida.id) == DECEMBER
    assert first_open_month(session, CLOSED, ida.id) == JANUARY


def test_what_is_taken_back_late_counts_for_that_month_still(session: Session, yard: Swaps, ida: Member, now: datetime) -> None:
    mall = yard.mall(session)
    early, late = (give_availability(session, now, ida, said(kind=kind)) for kind in ("never", "like"))
    assert take_back(session, LAST, early) == []
    assert take_back(session, CLOSED, late) == [DECEMBER]
    assert answers(session, mall, DECEMBER) == {ida.id: (said(kind="like"),)}
    assert answers(session, mall, JANUARY) == {}
    assert standing(session, ida.id) == []
    with pytest.raises(Refusal, match="taken back already"):
        take_back(session, CLOSED, late)


def test_the_rota_is_drafted_by_what_stood_when_answers_closed(session: Session, yard: Swaps, ida: Member, now: datetime) -> None:
    """One takes back in time, the other too late; a third has only said that all is said, where silence is never."""
    lay_rules(session, yard.mall(session), starts_on=DECEMBER.first_day, silence="never")
    amos, ruth = (session.get_one(Member, yard.members[code]) for code in ("D02", "D03"))
    early, late = (give_availability(session, now, one, said()) for one in (ida, amos))
    take_back(session, LAST, early)
    take_back(session, CLOSED, late)
    answer_month(session, now, ruth, DECEMBER)
    people = {one.id: one for one in read_facts(session, yard.rota(session)).people}
    assert (people[ida.id].says, people[ida.id].silent) == ({}, True)
    assert (set(people[amos.id].says.values()), people[amos.id].silent) == ({"never"}, False)
    assert (people[ruth.id].says, people[ruth.id].silent) == ({}, False)


def test_silence_is_who_said_nothing_of_the_month(session: Session, yard: Swaps, ida: Member, now: datetime) -> None:
    """All said counts; so does a rule that stands; what is of other days, and standing in, does not."""
    mall = yard.mall(session)
    amos, ruth, fourth = (session.get_one(Member, yard.members[code]) for code in ("D02", "D03", "D04"))
    answer_month(session, now, ida, DECEMBER)
    answer_month(session, LAST, ida, DECEMBER)
    give_availability(session, now, amos, said(kind="rather not", weekdays=1))
    give_availability(session, now, ruth, said(starts_on=date(2027, 1, 1)))
    give_availability(session, now, fourth, said(kind="stand in"))
    assert answers(session, mall, DECEMBER) == {ida.id: (), amos.id: (said(kind="rather not", weekdays=1),)}
    with pytest.raises(Refusal, match="Answers for December 2026 are closed: January 2027 is the next month they count for"):
        answer_month(session, CLOSED, ruth, DECEMBER)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"kind": "maybe"}, "'maybe' is not known"),
        ({"ends_on": date(2026, 11, 30)}, "It ends on Nov 30, 2026, before it begins on Dec 1, 2026"),
        ({"weekdays": 0}, "No weekday is chosen"),
        ({"every_weeks": 53}, "Every 53 weeks cannot be"),
        ({"from_min": 600, "to_min": 600}, "The part of the day ends before it begins"),
        (
            {"ends_on": date(2026, 12, 2), "weekdays": 0b0010000},
            "None of these weekdays lies between Dec 1, 2026 and Dec 2",
        ),
        ({"starts_on": date(2029, 1, 1)}, "is more than two years away"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    session: Session, now: datetime, ida: Member, changes: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(Refusal, match=sentence):
        give_availability(session, now, ida, said(**changes))


def test_one_thing_is_said_once_and_not_too_many(session: Session, now: datetime, ida: Member) -> None:
    give_availability(session, now, ida, said())
    with pytest.raises(Refusal, match="You have said this already"):
        give_availability(session, now, ida, said())
    for minutes in range(1, MOST_RUNNING):
        give_availability(session, now, ida, said(to_min=minutes))
    with pytest.raises(Refusal, match="You have said 60 things already"):
        give_availability(session, now, ida, said(kind="like"))


def test_who_holds_no_lease_is_asked_nothing(session: Session, yard: Swaps, now: datetime) -> None:
    stranger = Member(name="Wilma Rook", joined_on=date(2026, 1, 1))
    session.add(stranger)
    session.flush()
    with pytest.raises(Refusal, match="You hold no lease"):
        give_availability(session, now, stranger, said())


def test_at_two_malls_the_later_deadline_lets_it_in_and_each_counts_by_its_own(
    session: Session, yard: Swaps, ida: Member, now: datetime
) -> None:
    east = make_mall(session, now, "EAST")
    lay_rules(session, east, answers_day=25)
    make_lease(session, now, east, yard.dealer(session, "D01"))
    assert first_open_month(session, CLOSED, ida.id) == DECEMBER
    give_availability(session, CLOSED, ida, said())
    assert answers(session, yard.mall(session), DECEMBER) == {}
    assert answers(session, yard.mall(session), JANUARY) == {ida.id: (said(),)}
    assert answers(session, east, DECEMBER) == {ida.id: (said(),)}
    # That all is said counts where it was said in time, too.
    amos = session.get_one(Member, yard.members["D02"])
    make_lease(session, now, east, yard.dealer(session, "D02"))
    answer_month(session, CLOSED, amos, DECEMBER)
    assert amos.id not in answers(session, yard.mall(session), DECEMBER)
    assert answers(session, east, DECEMBER)[amos.id] == ()


def test_with_the_rota_published_before_its_deadline_answers_close(session: Session, yard: Swaps, ida: Member) -> None:
    """January is published on December 1, its answers would be taken until December 20: a never said then breaks nothing."""
    mall, published = yard.mall(session), datetime(2026, 12, 1, 15, 0, tzinfo=UTC)
    rota = lay_rota(session, mall, JANUARY)
    for turn in turns_of(session, rota):
        turn.needs_keys = False
    turns_of(session, rota)[0].member_id = ida.id
    lay_published(session, rota, published)
    assert answers_close(session, mall, JANUARY) == published
    with pytest.raises(Refusal, match="Answers for January 2027 are closed: begin on Feb 1, 2027"):
        give_availability(session, published, ida, said(starts_on=JANUARY.first_day))
    give_availability(session, published, ida, said(starts_on=JANUARY.next.first_day))
    assert first_open_month(session, published, ida.id) == JANUARY.next
    assert answers(session, mall, JANUARY) == {}


def test_who_could_stand_in_covers_the_turn_and_is_free(session: Session, yard: Swaps, now: datetime) -> None:
    """Of a turn of D01's from 10 am to 2 pm on Tuesday, December 8. Standing in is said at any time."""
    members = {code: session.get_one(Member, one) for code, one in yard.members.items()}
    turn = yard.turn(session, 8)
    kind = {"kind": "stand in", "starts_on": date(2026, 11, 5)}
    give_availability(session, CLOSED, members["D01"], said(**kind))
    give_availability(session, CLOSED, members["D02"], said(**kind))
    give_availability(session, CLOSED, members["D03"], said(**kind, from_min=600, to_min=840))
    give_availability(session, CLOSED, members["D04"], said(**kind, from_min=660))
    assert stand_ins(session, turn) == [members["D02"].id, members["D03"].id]
    turn.ends_at += timedelta(minutes=1)
    session.flush()
    # D02's own begins at 2 pm, and D03's hours end then.
    assert stand_ins(session, turn) == []
