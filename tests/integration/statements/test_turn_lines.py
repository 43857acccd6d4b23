"""What a statement tells of turns: each line with its count and working, under one code of a member; nothing without turns."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from coop.core.db import transaction
from coop.core.periods import Month
from coop.shifts.models import Rota, Turn
from coop.shifts.turn_models import TurnAccount
from coop.statements.building import build_value
from coop.statements.domain import from_json, to_json
from coop.statements.service import freeze_statement
from coop.statements.turn_lines import turn_lines
from tests.factories.hall import Hall
from tests.factories.people import make_dealer
from tests.factories.turns import lay_post, lay_published

OCTOBER = Month(2026, 10)


class Told(Hall):
    def account(self, kind, turns, working="", *, month=OCTOBER, day=0):
        turn = self.turn(day) if day else None
        row = TurnAccount(
            mall_id=self.mall.id,
            member_id=self.ida.member_id,
            first_day=month.first_day,
            kind=kind,
            key=f"{kind}:{turn.id if turn else month}",
            turns=Decimal(turns),
            working=working,
            turn_id=turn.id if turn else None,
            at=self.now,
        )
        self.session.add(row)
        self.session.flush()

    def turn(self, day):
        begins = datetime(2026, 10, day, 16, tzinfo=UTC)
        turn = Turn(
            rota_id=self.rota.id,
            mall_id=self.mall.id,
            post_id=self.post.id,
            seat=1,
            on_date=begins.date(),
            starts_at=begins,
            ends_at=begins.replace(hour=20),
            opens=False,
            closes=False,
            needs_keys=False,
            member_id=self.ida.member_id,
        )
        self.session.add(turn)
        self.session.flush()
        return turn

    def lay(self):
        self.post = lay_post(self.session, self.mall)
        self.rota = Rota(mall_id=self.mall.id, first_day=OCTOBER.first_day, state="draft")
        self.session.add(self.rota)
        self.session.flush()
        lay_published(self.session, self.rota, self.now)

    def told(self, dealer=None, month=OCTOBER):
        lines = turn_lines(self.session, self.mall, dealer or self.ida, month)
        return [(line.label, line.count, line.working) for line in lines]


@pytest.fixture
def hall(sessions, now):
    with transaction(sessions) as session:
        made = Told(session, now)
        made.lease(made.ida, made.booth)
        made.lease(made.amos, made.case)
        made.lay()
        yield made


def test_a_months_account_is_told_line_by_line(hall):
    hall.account("owed", "-2", "2", month=OCTOBER.previous)
    hall.account("owed", "-2", "2 and 0.5 for 240 sq ft")
    for day in (5, 12):
        hall.account("worked", "1", day=day)
    hall.account("closed", "1", day=14)
    hall.account("charged", "0.5", "0.5 turns short, at $40.00 each: $20.00")
    hall.account("set right", "-0.25", "Counted twice")
    assert hall.told() == [
        ("Brought forward", "−2", "still owed"),
        ("Owed", "2", "2 and 0.5 for 240 sq ft"),
        ("Worked", "2", "Oct 5 and Oct 12"),
        ("The mall stayed closed", "1", "Oct 14"),
        ("Charged", "0.5", "0.5 turns short, at $40.00 each: $20.00"),
        ("Set right", "−0.25", "Counted twice"),
        ("Carried on", "−0.75", "still owed"),
    ]
    # A month without a line of its own says what is carried; a member without turns is told nothing.
    assert hall.told(month=OCTOBER.next) == [("Brought forward", "−0.75", "still owed"), ("Carried on", "−0.75", "still owed")]
    assert hall.told(hall.amos) == []


def test_a_member_of_two_codes_is_told_under_the_first(hall):
    hall.account("worked", "1", day=5)
    second = make_dealer(hall.session, hall.now, "D09")
    second.member_id = hall.ida.member_id
    hall.session.flush()
    hall.lease(second)
    assert hall.told(second) == []
    assert hall.told() == [("Worked", "1", "Oct 5"), ("Carried on", "+1", "worked beyond those owed")]


def test_a_frozen_statement_keeps_them_and_one_without_turns_is_as_it_was(hall):
    hall.account("worked", "1", day=5)
    on = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
    with_turns = freeze_statement(hall.session, on, hall.mall, hall.ida, OCTOBER)
    assert [line.label for line in from_json(with_turns.value_json).turns] == ["Worked", "Carried on"]
    without = freeze_statement(hall.session, on, hall.mall, hall.amos, OCTOBER)
    built = build_value(hall.session, hall.mall, hall.amos, OCTOBER, made_on=date(2026, 11, 3))
    assert from_json(without.value_json).turns == ()
    assert to_json(built) == without.value_json
