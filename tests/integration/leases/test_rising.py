"""Rents that rise in the days ahead, and their letters written together."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import event

from coop.core.errors import Refusal
from coop.leases.changing import reprice_space, resize_space, share_space
from coop.leases.holding import add_space_to_lease
from coop.leases.letters import write_increase, write_increases
from coop.leases.pricing import Asked
from coop.leases.rising import rises
from coop.leases.rules import add_term
from tests.factories.leases import make_rate
from tests.integration.leases.conftest import Yard

FEBRUARY_28 = date(2027, 2, 28)


def on(month: int, day: int) -> date:
    return date(2026, month, day)


def found(yard: Yard, until: date = FEBRUARY_28) -> list[tuple[str, date, int, int, bool]]:
    yard.session.expire_all()
    ahead, faults = rises(yard.session, yard.mall, yard.today, until)
    assert faults == []
    codes = {dealer.id: code for code, dealer in yard.dealers.items()}
    return [(codes[r.lease.dealer_id], r.begins_on, r.before_cents, r.after_cents, r.told) for r in ahead]


def test_a_zone_s_next_rate_raises_every_lease_without_a_price_of_its_own(yard: Yard) -> None:
    """120 sq ft: $2.25 is $270.00, $2.50 $300.00; a shared booth rises for each by her part; a flat price stays."""
    own, other = yard.lease("D01", "12"), yard.lease("D02")
    yard.lease("D03", Asked(yard.spaces["11"], agreed_per="flat", agreed_price=Decimal(200)))
    share_space(yard.session, yard.now, yard.held(own), [(own, Decimal(60)), (other, Decimal(40))], on=on(11, 10))
    make_rate(yard.session, yard.mall, "2.50", starts_on=date(2027, 1, 1))
    make_rate(yard.session, yard.mall, "2.00", starts_on=date(2027, 2, 1))
    assert found(yard) == [
        ("D01", date(2027, 1, 1), 162_00, 180_00, False),
        ("D02", date(2027, 1, 1), 108_00, 120_00, False),
    ]
    assert found(yard, on(12, 31)) == []


def test_raises_and_prices_agreed_for_later_are_told(yard: Yard) -> None:
    """3% after a year: $270.00 x 1.03 = $278.10. A flat $310.00 from January 10."""
    rising = yard.lease("D01", "12", starts_on=date(2025, 12, 1))
    add_term(yard.session, rising, "escalation", {"how": "percent", "percent": "3"})
    repriced = yard.lease("D02", "11")
    reprice_space(
        yard.session,
        yard.now,
        yard.held(repriced, "11"),
        on=date(2027, 1, 10),
        per="flat",
        price=Decimal(310),
        told_on=yard.today,
    )
    write_increase(yard.session, yard.now, rising, begins_on=on(12, 1))
    assert found(yard) == [
        ("D01", on(12, 1), 270_00, 278_10, True),
        ("D02", date(2027, 1, 10), 270_00, 310_00, False),
    ]


def test_what_a_dealer_agreed_to_is_no_increase(yard: Yard) -> None:
    own, other = yard.lease("D01", "12"), yard.lease("D02", "11")
    resize_space(yard.session, yard.now, yard.held(own), on=on(12, 1), area_sqft100=15000)
    add_space_to_lease(yard.session, yard.now, own, Asked(yard.spaces["13"]), on=on(12, 15))
    share_space(yard.session, yard.now, yard.held(own), [(own, Decimal(50)), (other, Decimal(50))], on=date(2027, 1, 5))
    assert found(yard) == []


def test_an_index_value_that_is_missing_is_said(yard: Yard) -> None:
    lease = yard.lease("D01", "12", starts_on=date(2025, 12, 1))
    add_term(yard.session, lease, "escalation", {"how": "index", "series": "CPI-U", "base": "2025-09"})
    ahead, faults = rises(yard.session, yard.mall, yard.today, FEBRUARY_28)
    assert ahead == []
    assert "There is no CPI value for September 2025" in faults[0]
    with pytest.raises(Refusal, match="There is no CPI value for September 2025"):
        write_increases(yard.session, yard.now, yard.mall, begins_on=on(12, 1))


def test_the_letters_of_a_day_are_written_together_and_once(yard: Yard) -> None:
    yard.lease("D01", "12")
    yard.lease("D02", "11")
    make_rate(yard.session, yard.mall, "2.50", starts_on=date(2027, 1, 1))
    written = write_increases(yard.session, yard.now, yard.mall, begins_on=date(2027, 1, 1))
    assert [letter.subject for letter in written] == ["Increase of the rent, D01", "Increase of the rent, D02"]
    assert write_increases(yard.session, yard.now, yard.mall, begins_on=date(2027, 1, 1)) == []
    assert all(told for *_, told in found(yard))
    make_rate(yard.session, yard.mall, "2.75", starts_on=date(2027, 2, 1))
    yard.on(date(2027, 1, 15))
    with pytest.raises(Refusal, match="The rent of D01: an increase from Feb 1, 2027 takes 30 days of notice"):
        write_increases(yard.session, yard.now, yard.mall, begins_on=date(2027, 2, 1))


def test_the_queries_do_not_grow_with_the_leases(yard: Yard) -> None:
    make_rate(yard.session, yard.mall, "2.50", starts_on=date(2027, 1, 1))
    counts = []
    for code, dealer in (("11", "D01"), ("12", "D02"), ("13", "D03")):
        add_term(yard.session, yard.lease(dealer, code), "escalation", {"how": "percent", "percent": "3"})
        yard.session.flush()
        yard.session.expire_all()
        statements: list[str] = []

        def counted(_c: Any, _cur: Any, statement: str, *_: Any, seen: list[str] = statements) -> None:
            seen.append(statement)

        _ = yard.mall.id
        event.listen(yard.session.get_bind(), "before_cursor_execute", counted)
        rises(yard.session, yard.mall, yard.today, FEBRUARY_28)
        event.remove(yard.session.get_bind(), "before_cursor_execute", counted)
        counts.append(len(statements))
    assert len(set(counts)) == 1, counts
