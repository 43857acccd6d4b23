"""Lent floor at its edges, on both databases: long names, leases that end or begin, sold pieces, days that are near."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.leases.models import Lease
from coop.overflow.domain.answers import LONGEST
from coop.overflow.models import OverflowAnswer
from coop.overflow.placing import place_request, place_sold
from coop.overflow.telling import reminders
from tests.factories.aisles import TODAY, Aisles, mails, piece, write
from tests.factories.leases import make_lease
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_stay

DAY = timedelta(days=1)


@pytest.fixture
def session(sessions: Sessions) -> Iterator[Session]:
    with transaction(sessions) as session:
        yield session


@pytest.fixture
def aisles(session: Session, now: datetime) -> Aisles:
    return Aisles(session, now)


def test_an_answer_of_the_longest_names_and_reason_is_kept_whole(session: Session, now: datetime, aisles: Aisles) -> None:
    """Of three pieces of 80 letters in a bay of 28 two are named, the third is counted; what waits is named."""
    bay = f"{'B' * 20}-{'1' * 7}"
    lay_bay(session, aisles.mall(session), bay, 120, 24, y=600)
    names = [f"{letter * 74} chest" for letter in "ABCD"]
    request, rows = aisles.ask(session, now, *(piece(name, 20) for name in names))
    places = [(row, aisles.place(session, bay, at=25 * number)) for number, row in enumerate(rows[:3])]
    place_request(session, now, request, places, by=aisles.by, why="w" * 120)
    session.expire_all()
    sentence = session.scalars(select(OverflowAnswer)).one().sentence
    assert len(sentence) <= LONGEST
    assert sentence.startswith(f"Given by the manager: {names[0]} in bay {bay}, Nov 9 to Dec 6, 2026; {names[1]} in bay")
    assert sentence.endswith(f"; 1 more as your list has them; {names[3]} waits ({'w' * 120}).")


def test_a_sold_piece_is_not_taken_of_whose_lease_has_not_begun(session: Session, now: datetime, aisles: Aisles) -> None:
    """Its floor of this month could be charged under no lease."""
    ruth, mall = aisles.dealer(session, "D03"), aisles.mall(session)
    lease = make_lease(session, now, mall, ruth, starts_on=date(2026, 12, 1))
    with pytest.raises(Refusal, match=r"D03 has never rented at .*, and nobody can be charged for its floor"):
        place_sold(session, now, mall, ruth, piece(), aisles.bay(session), by=aisles.by)
    session.get_one(Lease, lease.id).starts_on = TODAY
    assert place_sold(session, now, mall, ruth, piece(), aisles.bay(session), by=aisles.by).kind == "sold"


def test_no_last_day_is_told_of_what_has_not_come_yet(session: Session, now: datetime, aisles: Aisles) -> None:
    """A stay of two days, the day after tomorrow and the next: first it moves in, then it has a last day."""
    chest = lay_piece(session, aisles.dealer(session), "Pine chest", (30, 18, 30), weight_oz=160)
    lay_stay(session, chest, aisles.bay(session), TODAY + 2 * DAY, TODAY + 3 * DAY)
    told = []
    for day in range(4):
        write(session, now, reminders(session, now + day * DAY))
        told.append(len(mails(session)))
    assert told == [0, 1, 1, 2]
