"""House rules of lent floor on both databases: never set for days on which floor was given by others; taken back until then."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.overflow.models import OverflowRule
from coop.overflow.placing import place_piece
from coop.overflow.rules import rules_on, set_rules, take_back_rules
from coop.overflow.staying import cancel_stay
from tests.factories.aisles import MONDAY, SUNDAY, TODAY, Aisles

YESTERDAY = date(2026, 11, 2)
FEE = {"fee_kind": "foot-week", "fee_cents": 9_00}


def surveys(session: Session) -> int:
    return len(session.scalars(select(Job.id).where(Job.kind == "overflow.survey", Job.state == "queued")).all())


def test_no_fee_is_raised_backwards_on_floor_that_was_given(session: Session, now: datetime, aisles: Aisles) -> None:
    """Given for four weeks from Monday on, free. On its second day no fee begins before that day, and one does on it."""
    mall = aisles.mall(session)
    _, (hutch,) = aisles.ask(session, now)
    place_piece(session, now, mall, hutch, aisles.place(session), by=aisles.by)
    later = now + timedelta(days=7)
    for past in (YESTERDAY, MONDAY):
        with pytest.raises(Refusal, match=r"would change what floor was given by since: begin them on Nov 10, 2026 or later"):
            set_rules(session, later, mall, past, by=aisles.by, **FEE)
    assert rules_on(session, mall.id, SUNDAY).fee_kind == "free"
    row = set_rules(session, later, mall, MONDAY + timedelta(days=1), by=aisles.by, **FEE)
    assert row.fee_cents == 9_00


def test_the_first_rules_may_begin_before_today_while_nothing_has_had_floor_since(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    mall = aisles.mall(session)
    _, (hutch,) = aisles.ask(session, now)
    stay = place_piece(session, now, mall, hutch, aisles.place(session, first=TODAY), by=aisles.by)
    cancel_stay(session, now, stay, by=aisles.by)
    set_rules(session, now, mall, YESTERDAY, by=aisles.by, **FEE)
    assert rules_on(session, mall.id, TODAY).fee_cents == 9_00


def test_what_stood_until_a_day_does_not_bind_the_days_after_it(session: Session, now: datetime, aisles: Aisles) -> None:
    mall = aisles.mall(session)
    _, (hutch,) = aisles.ask(session, now)
    place_piece(session, now, mall, hutch, aisles.place(session, first=TODAY, last=MONDAY), by=aisles.by)
    later = now + timedelta(days=10)
    with pytest.raises(Refusal, match="would change what floor was given by"):
        set_rules(session, later, mall, MONDAY, by=aisles.by, **FEE)
    set_rules(session, later, mall, MONDAY + timedelta(days=1), by=aisles.by, **FEE)


def test_rules_are_taken_back_until_they_begin_and_the_bays_are_worked_out_anew(
    session: Session, now: datetime, aisles: Aisles
) -> None:
    mall = aisles.mall(session)
    row = set_rules(session, now, mall, MONDAY, by=aisles.by, **FEE)
    for job in session.scalars(select(Job).where(Job.kind == "overflow.survey")):
        job.state = "done"
    session.flush()
    with pytest.raises(Refusal, match="These rules hold since Nov 9, 2026"):
        take_back_rules(session, now + timedelta(days=6), row, by=aisles.by)
    assert surveys(session) == 0
    take_back_rules(session, now, row, by=aisles.by)
    assert session.scalars(select(OverflowRule.id).where(OverflowRule.starts_on == MONDAY)).all() == []
    assert surveys(session) == 1
