"""Turns in a month-end: refused while nobody has said who came, then handed to rent and commission, told on the statement."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select

from coop.books.checking import check_books
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.leases.models import Charge, Lease, LeaseTerm
from coop.shifts.attending import sign_in, write_down
from coop.shifts.models import Rota, Turn
from coop.statements.domain import from_json
from coop.statements.models import Statement
from tests.factories.coops import MARCH
from tests.factories.turns import lay_post, lay_published, lay_rules

LONG_AGO = date(2025, 1, 1)


def lay(desk, session):
    """Two turns for each of D01 and D02 in March. D01 gets $5.00 off the rent for each, D02 a point off the commission."""
    coop, now = desk.coop, utc_now()
    lay_rules(session, coop.mall, owed_base=Decimal(2), new_days=0)
    rota = Rota(mall_id=coop.mall.id, first_day=MARCH.first_day, state="draft")
    session.add(rota)
    session.flush()
    lay_published(session, rota, now)
    post = lay_post(session, coop.mall)
    turns = []
    for day in (4, 11):
        for hour, code in ((12, "D01"), (16, "D02")):
            begins = datetime(2025, 3, day, hour, tzinfo=UTC)
            turns.append(
                Turn(
                    rota_id=rota.id,
                    mall_id=coop.mall.id,
                    post_id=post.id,
                    seat=1,
                    on_date=begins.date(),
                    starts_at=begins,
                    ends_at=begins.replace(hour=hour + 4),
                    opens=False,
                    closes=False,
                    needs_keys=False,
                    member_id=coop.dealers[code].member_id,
                )
            )
    session.add_all(turns)
    leases = {lease.dealer_id: lease for lease in session.scalars(select(Lease))}
    for code, kind, terms in (
        ("D01", "discount", {"reason": "turns", "dollars": "5.00"}),
        ("D02", "commission", {"turns": {"percent": "1"}}),
    ):
        lease = leases[coop.dealers[code].id]
        session.add(LeaseTerm(lease_id=lease.id, kind=kind, terms=terms, starts_on=lease.starts_on, ends_on=None))
    session.flush()
    return turns


def test_turns_are_counted_before_rent_and_commission_and_told_on_the_statement(desk):
    with transaction(desk.sessions) as session:
        turns = lay(desk, session)
        for turn in turns[:3]:
            sign_in(session, turn.starts_at, turn, turn.member_id)
        ids = [turn.id for turn in turns]
    steps = desk.close()
    assert steps["unclaimed"].state == "done"
    assert (steps["turns"].state, steps["turns"].mend) == ("refused", "/office/rota/MAIN/2025-03/attendance")
    assert "nobody has written down who came. Amos Pell, Desk on Tue, Mar 11" in steps["turns"].report
    assert steps["rent"].state == "waiting"

    with transaction(desk.sessions) as session:
        write_down(session, utc_now(), session.get_one(Turn, ids[3]), True, user_id=None)
    steps = desk.close()
    assert {step.state for step in steps.values()} == {"done"}
    # D03 began on the 17th: 15 of 31 days. D04 has no space, and owes the base.
    assert steps["turns"].report == "6.97 turns owed, 4 turns worked."
    with transaction(desk.sessions) as session:
        assert check_books(session) == []
        charges = {
            (charge.dealer_id, charge.what.partition(":")[0]): charge.amount_cents for charge in session.scalars(select(Charge))
        }
        d01, d02 = (desk.coop.dealers[code].id for code in ("D01", "D02"))
        assert charges[d01, "turns"] == -10_00
        # D02's net sales of $353.32 at 12.5 less 2 points.
        assert charges[d02, "commission"] == 37_10
        told = {
            statement.dealer_id: [(line.label, line.count) for line in from_json(statement.value_json).turns]
            for statement in session.scalars(select(Statement))
        }
        assert told[d01] == [("Owed", "2"), ("Worked", "2"), ("Carried on", "0")]
        assert told[desk.coop.dealers["D04"].id] == [("Owed", "2"), ("Carried on", "−2")]
