"""What sales say of a piece, on both databases: sold by its whole tag, brought back, on layaway; and what a plan makes of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.resets.composing import compose
from coop.resets.models import PieceRow
from coop.resets.planning import keep_plan
from coop.resets.reading import bound_by_sales
from coop.resets.working import facts_digest, is_outdated, read_facts
from coop.sales.domain import TenderIn
from coop.sales.layaway import Terms, agree_layaway, cancel_layaway
from coop.sales.service import take_tickets
from coop.tax import service as tax
from tests.factories.house import add_person
from tests.factories.own_sales import piece, sold
from tests.factories.resets import BoothLaid, a_booth, plan_reset

DAY = date(2026, 11, 5)
LATER = datetime(2026, 11, 6, 15, tzinfo=UTC)


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[tuple[Session, BoothLaid]]:
    with transaction(sessions) as session:
        yield session, a_booth(session, now)


def bound(session: Session, booth: BoothLaid) -> dict[str, str]:
    rows = list(booth.pieces.values())
    names = {row.id: row.name for row in rows}
    return {names[one]: word for one, word in bound_by_sales(session, rows).items()}


def tag(booth: BoothLaid, name: str, cents: int) -> PieceRow:
    row = booth.pieces[name]
    row.tag = f"{booth.dealer.code}-{cents}"
    return row


def test_a_sold_tag_binds_its_piece_until_it_is_brought_back(laid: tuple[Session, BoothLaid]) -> None:
    session, booth = laid
    tag(booth, "Pine table", 180_00)
    tag(booth, "Cane chair", 45_00)
    session.flush()
    assert bound(session, booth) == {}
    take_tickets(session, LATER, booth.mall, [sold("1", DAY, piece(booth.dealer, 180_00), buyer="b1")])
    assert bound(session, booth) == {"Pine table": "sold"}
    back = piece(booth.dealer, -180_00)
    back = replace(back, tag=f"{booth.dealer.code}-18000")
    take_tickets(session, LATER, booth.mall, [sold("2", DAY + timedelta(days=1), back, buyer="b1")])
    assert bound(session, booth) == {}


def test_a_tag_sold_before_the_piece_was_written_down_is_another_things(laid: tuple[Session, BoothLaid]) -> None:
    session, booth = laid
    row = tag(booth, "Pine table", 180_00)
    row.created_at = datetime(2026, 11, 6, tzinfo=UTC)
    session.flush()
    take_tickets(session, LATER, booth.mall, [sold("1", DAY, piece(booth.dealer, 180_00))])
    assert bound(session, booth) == {}


def test_a_layaway_binds_while_it_is_open(laid: tuple[Session, BoothLaid]) -> None:
    session, booth = laid
    tag(booth, "Oak dresser", 300_00)
    session.flush()
    state = tax.add_jurisdiction(session, code="EL", name="State of Elmora", kind="state")
    tax.set_rate(session, state, Decimal(5), starts_on=date(2025, 1, 1))
    tax.set_place(session, booth.mall.id, [state], starts_on=date(2025, 1, 1))
    one = agree_layaway(
        session,
        LATER,
        booth.mall,
        [piece(booth.dealer, 300_00)],
        Terms("Orla Quint", due_days=90),
        deposit=TenderIn("cash", 60_00),
        key="a",
    )
    assert bound(session, booth) == {"Oak dresser": "layaway"}
    cancel_layaway(session, LATER, one, tender="cash")
    assert bound(session, booth) == {}


def test_a_tag_sold_changes_the_plan(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    tag(booth, "Cane chair", 45_00)
    session.flush()
    row = plan_reset(session, now, booth, add_person(session, now, "ida@example.org", ("dealer",), booth.dealer.member_id))
    facts = read_facts(session, row)
    plan = keep_plan(session, now, row, compose(facts), facts_digest(facts))
    assert not is_outdated(session, row, plan)
    take_tickets(session, LATER, booth.mall, [sold("1", DAY, piece(booth.dealer, 45_00))])
    assert is_outdated(session, row, plan)
    assert [one.piece.bound for one in read_facts(session, row).before.placed if one.piece.bound] == ["sold"]
