"""House rules, prices, terms and index values: set by day, and bad input refused by its field."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import func, select

from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.models import LeaseTerm, PriceIndex
from coop.leases.rules import HouseRules, add_term, agree_price, import_index, rules_on, set_index, set_rate, set_rules
from tests.factories.hall import ADVANCE, Hall

NEW_YEAR = date(2026, 1, 1)


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Iterator[Hall]:
    with sessions() as session:
        yield Hall(session, now)


# --- house rules --------------------------------------------------------------------------------------------------------


def test_rules_by_day(hall: Hall) -> None:
    """Each set keeps what the one before it said; before the first, the usual: in arrears, no late fee, 30 days."""
    usual = rules_on(hall.session, hall.mall.id, NEW_YEAR)
    assert usual == HouseRules()
    assert (usual.rent_posts, usual.notice_days, usual.deposit_months, usual.late_rule) == ("arrears", 30, 1, None)
    set_rules(hall.session, hall.mall, NEW_YEAR, **ADVANCE)
    set_rules(hall.session, hall.mall, date(2026, 7, 1), late_how="flat", checklist=("Keys",), waiting_order=("first_come",))
    hall.session.expire_all()
    december, june, july = (rules_on(hall.session, hall.mall.id, date(2025 + (m < 12), m, 30)) for m in (12, 6, 7))
    assert december == usual
    assert (june.in_advance, june.late_rule and (june.late_rule.flat_cents, june.late_rule.percent)) == (True, (25_00, 10))
    assert (july.in_advance, july.late_rule and (july.late_rule.flat_cents, july.late_rule.percent)) == (True, (25_00, None))
    assert (july.checklist, july.waiting_order) == (("Keys",), ("first_come",))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"rent_posts": "weekly"}, "When rent posts is 'weekly': choose one of advance, arrears"),
        ({"proration": "monthly"}, "The proration is 'monthly'"),
        ({"late_how": "double"}, "The late fee's kind is 'double'"),
        ({"notice_days": -1}, "The days of notice are -1: write 0 to 366"),
        ({"offer_days": 0}, "The days an offer stands are 0"),
        ({"deposit_months": Decimal(13)}, "The deposit is 13 months' rent"),
        ({"late_after_day": 29}, "Rent is late after day 29: choose a day of the month from 1 to 28"),
        ({"late_how": "flat"}, "The late fee's dollars are 0"),
        ({"late_how": "percent"}, "The late fee's percent is 0"),
        ({"late_how": "percent", "late_percent": Decimal(101)}, "The late fee's percent is 101"),
        ({"late_flat_cents": -1}, r"The late fee is -\$0.01"),
        ({"waiting_order": ("friends",)}, "The waiting list's rule 'friends' is not known"),
        ({"checklist": ("Keys", " ")}, "The list for moving out has an empty line"),
        ({"deposit_months": Decimal("0.1234567")}, "at most six decimals"),
    ],
)
def test_rules_that_are_refused(hall: Hall, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        set_rules(hall.session, hall.mall, NEW_YEAR, **changes)
    assert rules_on(hall.session, hall.mall.id, NEW_YEAR) == HouseRules()


def test_two_sets_of_rules_for_one_day_are_refused(hall: Hall) -> None:
    set_rules(hall.session, hall.mall, NEW_YEAR)
    with pytest.raises(Refusal, match="has house rules from Jan 1, 2026 already: choose another day"):
        set_rules(hall.session, hall.mall, NEW_YEAR)


# --- prices -------------------------------------------------------------------------------------------------------------


def test_prices_that_are_refused(hall: Hall) -> None:
    for zone, price, per, said in (
        (" ", "2", "sqft", "The rate's zone is empty"),
        ("a" * 21, "2", "sqft", "20 is the most"),
        ("back", "2", "acre", r"per acre: use sqft \(a square foot a month\), foot"),
        ("back", "1000001", "flat", "at most 1,000,000"),
        ("back", "1.2345678", "sqft", "at most six decimals"),
    ):
        with pytest.raises(Refusal, match=said):
            set_rate(hall.session, hall.mall, zone, Decimal(price), per=per, starts_on=NEW_YEAR)
    held = hall.hold(hall.lease(hall.ida), hall.booth, NEW_YEAR)
    with pytest.raises(Refusal, match="The price agreed for 12 is by the foot, but its length is not known"):
        agree_price(hall.session, held, Decimal(4), per="foot")
    agree_price(hall.session, held, Decimal(200), per="flat")
    agree_price(hall.session, held, None)
    assert (held.agreed_per, held.agreed_price) == (None, None)


# --- terms --------------------------------------------------------------------------------------------------------------

THREE = {"how": "percent", "percent": "3"}


@pytest.mark.parametrize(
    ("kind", "terms", "said"),
    [
        ("gift", {}, "The term is of the kind 'gift'; the kinds are discount, escalation"),
        ("discount", {"reason": "member", "percent": "5"}, "discount.name is missing"),
        ("discount", {"reason": "member", "name": "x"}, "is a percent or dollars a month: write one of the two"),
        ("discount", {"reason": "member", "name": "x", "percent": 5}, "discount.percent is the number 5; it must be text"),
        ("discount", {"reason": "member", "name": "x", "percent": "101"}, "between 0 and 100"),
        ("discount", {"reason": "member", "name": "x", "percent": "5", "owed": 1}, "discount.owed is for turns only"),
        ("discount", {"reason": "turns", "name": "x", "percent": "5"}, "discount.name is not known for turns"),
        ("discount", {"reason": "whim", "name": "x", "percent": "5"}, "must be one of introductory, member, prepayment, turns"),
        ("escalation", {"how": "percent"}, "escalation.percent is missing: percent needs it"),
        ("escalation", {**THREE, "base": "2026-01"}, "escalation.base is not for percent"),
        ("escalation", {**THREE, "every_months": 0}, "escalation.every_months is 0; it must be from 1"),
        ("escalation", {"how": "index", "series": "CPI-U", "base": "2026-13"}, "escalation.base is not a month"),
        ("escalation", {"how": "index", "series": "CPI-U", "base": "2026-02"}, "base 2026-02 is after the term's first day"),
        (
            "escalation",
            {"how": "index", "series": "C", "base": "2025-11", "cap": "1", "floor": "2"},
            "floor of 2% is above the cap",
        ),
        ("escalation", {"how": "steps", "steps": []}, "escalation.steps is empty"),
        ("escalation", {"how": "steps", "steps": [{"on": "2025-12-31", "percent": "3"}]}, "before the term does on 2026-01-01"),
        ("percentage", {"percent": "0"}, "The percent of the percentage rent is 0"),
        ("percentage", {"percent": "5", "period": "week"}, "percentage.period is 'week'"),
        ("commission", {}, "commission says nothing"),
        ("commission", {"percent": "8", "tiers": [{"percent": "8"}]}, "exclude each other"),
        ("commission", {"tiers": [{"upto": "5", "percent": "8"}]}, "The last tier, and only it"),
        ("commission", {"tiers": [{"percent": "8", "colour": "red"}]}, r"commission.tiers\[0\].colour is not known here"),
    ],
)
def test_terms_that_are_refused(hall: Hall, kind: str, terms: dict[str, Any], said: str) -> None:
    lease = hall.lease(hall.ida, starts_on=NEW_YEAR)
    with pytest.raises(Refusal, match=said):
        add_term(hall.session, lease, kind, terms)
    assert hall.session.scalar(select(func.count(LeaseTerm.id))) == 0


def test_days_of_terms_that_are_refused(hall: Hall) -> None:
    lease = hall.lease(hall.ida, starts_on=NEW_YEAR)
    with pytest.raises(Refusal, match="ends on Jan 31, 2026, before it starts on Feb 1, 2026: turn the dates round"):
        add_term(hall.session, lease, "escalation", THREE, starts_on=date(2026, 2, 1), ends_on=date(2026, 1, 31))
    with pytest.raises(Refusal, match="begins on Dec 31, 2025, before the lease does on Jan 1, 2026"):
        add_term(hall.session, lease, "escalation", THREE, starts_on=date(2025, 12, 31))
    add_term(hall.session, lease, "escalation", THREE, ends_on=date(2026, 6, 30))
    with pytest.raises(Refusal, match="a term of the kind escalation from Jan 1, 2026 already"):
        add_term(hall.session, lease, "escalation", THREE, starts_on=date(2026, 6, 30))
    add_term(hall.session, lease, "escalation", THREE, starts_on=date(2026, 7, 1))


# --- price index --------------------------------------------------------------------------------------------------------


def values(hall: Hall) -> dict[str, Decimal]:
    rows = hall.session.execute(select(PriceIndex.first_day, PriceIndex.value).order_by(PriceIndex.first_day))
    return {f"{day:%Y-%m}": value for day, value in rows}


def test_index_values_as_published(hall: Hall) -> None:
    """CPI-U of June 1990 and June 1991 (BLS)."""
    set_index(hall.session, "CPI-U", Month(1990, 6), Decimal("129.9"))
    assert import_index(hall.session, "\ufeffSeries,Month,Value\nCPI-U,1990-06,129.9\n\nCPI-U,1991-06,136.0\n") == 1
    assert values(hall) == {"1990-06": Decimal("129.9"), "1991-06": Decimal("136.0")}
    with pytest.raises(Refusal, match=r"CPI-U for June 1990 is 129\.9 already, so it cannot become 130"):
        set_index(hall.session, "CPI-U", Month(1990, 6), Decimal(130))


def test_a_bad_row_is_refused_with_its_field_and_nothing_is_taken(hall: Hall) -> None:
    set_index(hall.session, "CPI-U", Month(1990, 6), Decimal("129.9"))
    bad = [",1991-07,1", "CPI-U,1991-13,1", "CPI-U,1991-08,-4", "CPI-U,1991-06,137", "CPI-U,1990-06,9", "x"]
    text = "\n".join(["series,month,value", "CPI-U,1991-06,136.0", *bad])
    with pytest.raises(Refusal) as refused:
        import_index(hall.session, text)
    assert str(refused.value) == (
        "Row 3, series: it is empty or too long; name the index, such as CPI-U. "
        "Row 4, month: '1991-13' is not a month; write it like 2026-10. "
        "Row 5, value: '-4' is no index value; write it as published, such as 322.561. "
        "Row 6, month: 1991-06 of CPI-U stands in row 2 already; leave one. "
        "Row 7, value: CPI-U for 1990-06 is 129.9 already; it stays as published. "
        "Row 8, the whole: it has 1 cells; it must have 3."
    )
    assert list(values(hall)) == ["1990-06"]
    with pytest.raises(Refusal, match="The file's first row is month,value: it must be series,month,value"):
        import_index(hall.session, "month,value\n")
