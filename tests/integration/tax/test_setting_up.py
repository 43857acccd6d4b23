"""Rates, rules, settings and certificates: set, ended, refused; and which of them count."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy.orm import Session

from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.tax.domain.duedates import DueRule
from coop.tax.domain.returns import Allowance, FilingRules, Interest
from coop.tax.domain.rules import Stack
from coop.tax.domain.ticket import Certificate
from coop.tax.models import Jurisdiction
from coop.tax.queries import certificate_of, compiled, due_rule, filing_rules, owed_by, rules_of, setting_on
from coop.tax.service import (
    Terms,
    add_jurisdiction,
    add_rule,
    change_rate,
    end_rate,
    end_rule,
    file_certificate,
    set_place,
    set_rate,
    set_setting,
)
from tests.factories.people import make_coop, make_mall

NEW_YEAR = date(2026, 1, 1)


@pytest.fixture
def session(sessions: Sessions, now: datetime) -> Iterator[Session]:
    with sessions() as session:
        make_coop(session, now)
        yield session


@pytest.fixture
def mall(session: Session, now: datetime) -> Mall:
    return make_mall(session, now)


@pytest.fixture
def state(session: Session) -> Jurisdiction:
    state = add_jurisdiction(session, code="STATE-EL", name="State of Elm", kind="state", state_fips="98", fips="98")
    set_rate(session, state, Decimal(5), starts_on=date(2020, 1, 1))
    return state


# --- jurisdictions and rates -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"state_fips": "9"}, "State '9': a state's FIPS code is two digits"),
        ({"fips": "001"}, "FIPS code '001': give digits such as 079, and the state's code beside it"),
        ({"state_fips": "98", "fips": "00 1"}, "FIPS code '00 1': give digits"),
        ({"state_fips": "98", "fips": "98", "kind": "state"}, "FIPS code 98: State of Elm is the state of that code in state 98"),
        ({"code": "STATE-EL"}, "Jurisdiction code STATE-EL: there is one already"),
    ],
)
def test_what_is_no_jurisdiction(session: Session, state: Jurisdiction, changes: dict[str, str], sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        add_jurisdiction(session, **{"code": "PINE", "name": "Pine", "kind": "county", **changes})


def test_a_rate_that_changes_begins_a_new_row(session: Session, state: Jurisdiction) -> None:
    first = set_rate(session, state, Decimal(2), starts_on=date(2020, 1, 1), ends_on=date(2027, 12, 31), tax_class="food")
    second = change_rate(session, first, Decimal("2.5"), from_day=date(2026, 7, 1))
    assert (first.percent, first.ends_on) == (Decimal(2), date(2026, 6, 30))
    assert (second.percent, second.starts_on, second.ends_on) == (Decimal("2.5"), date(2026, 7, 1), date(2027, 12, 31))
    with pytest.raises(Refusal, match="The rate ended on 2026-06-30: set a new one"):
        change_rate(session, first, Decimal(3), from_day=date(2026, 9, 1))
    with pytest.raises(Refusal, match="The rate starts on 2026-07-01: it cannot end on 2026-06-30"):
        change_rate(session, second, Decimal(3), from_day=date(2026, 7, 1))
    with pytest.raises(Refusal, match="at most six decimal places"):
        set_rate(session, state, Decimal("0.1234567"), starts_on=date(2030, 1, 1), tax_class="books")
    assert end_rate(session, second, date(2026, 12, 31)).ends_on == date(2026, 12, 31)


# --- rules ---------------------------------------------------------------------------------------------------------------------

RULES: list[tuple[str, dict[str, Any], date | None]] = [
    ("exempt", {"tax_class": "books"}, None),
    ("article", {"cap": "1600.00", "tiers": [{"name": "single-article", "over": "1600.00", "upto": "3200.00"}]}, None),
    ("holiday", {"name": "August", "tax_classes": ["clothing"], "limit": "100.00"}, date(2026, 12, 31)),
    ("threshold", {"tax_classes": ["clothing"], "upto": "110", "excess_only": True}, None),
    ("delivery", {"how": "proportion"}, None),
    ("reduction", {"trade_in": True}, None),
]


def test_rules_of_every_kind_come_back_as_they_were_meant(session: Session, state: Jurisdiction) -> None:
    tier = set_rate(session, state, Decimal("2.75"), starts_on=date(2020, 1, 1), tax_class="single-article")
    for kind, terms, ends_on in RULES:
        add_rule(session, state, kind, terms, starts_on=NEW_YEAR, ends_on=ends_on)
    (rules,) = rules_of(session, [state], date(2026, 8, 1))
    assert [e.tax_class for e in rules.exempt_classes] == ["books"]
    (article,) = rules.articles
    assert (article.cap_cents, [(t.rate_id, t.name, t.percent) for t in article.tiers]) == (
        160000,
        [(tier.id, "single-article", Decimal("2.75"))],
    )
    assert [rate.tax_class for rate in rules.rates] == ["general"]
    assert [(h.name, h.limit_cents, h.limit_included) for h in rules.holidays] == [("August", 10000, True)]
    assert [(t.upto_cents, t.excess_only) for t in rules.thresholds] == [(11000, True)]
    assert [d.how for d in rules.deliveries] == ["proportion"]
    assert [r.trade_in for r in rules.reductions] == [True]
    (before,) = rules_of(session, [state], date(2025, 12, 31))
    assert (before.exempt_classes, before.articles, before.deliveries, before.reductions) == ((), (), (), ())
    # A layaway accepted then may be covered by a holiday of another day.
    assert len(before.holidays) == 1


@pytest.mark.parametrize(
    ("kind", "terms", "ends_on", "sentence"),
    [
        ("gift", {}, None, "The rule of State of Elm: A rule is of the kind 'gift'"),
        ("exempt", {}, None, "The rule of State of Elm: tax_class is missing"),
        ("exempt", {"tax_class": "books", "until": "2026"}, None, "until is not known here"),
        ("holiday", RULES[2][1], None, "The holiday August needs a last day"),
        (
            "article",
            {"tiers": [{"name": "a", "over": "20", "upto": "10"}]},
            None,
            "The upper tier a must end above where it begins",
        ),
        ("delivery", {"how": "free"}, None, "how is 'free'; it must be one of taxable, exempt, proportion"),
        ("exempt", {"tax_class": "books"}, date(2025, 1, 1), "ends on 2025-01-01, before it starts on 2026-01-01"),
    ],
)
def test_what_is_no_rule(
    session: Session, state: Jurisdiction, kind: str, terms: dict[str, Any], ends_on: date | None, sentence: str
) -> None:
    with pytest.raises(Refusal, match=sentence):
        add_rule(session, state, kind, terms, starts_on=NEW_YEAR, ends_on=ends_on)


def test_rules_that_contradict_each_other(session: Session, state: Jurisdiction) -> None:
    add_rule(session, state, "delivery", {"how": "taxable"}, starts_on=date(2027, 1, 1))
    with pytest.raises(Refusal, match="Delivery in State of Elm: two rules hold on 2027-01-01; end one of them"):
        add_rule(session, state, "delivery", {"how": "exempt"}, starts_on=NEW_YEAR)
    session.rollback()


def test_a_rule_that_ends_makes_room_for_the_next(session: Session, state: Jurisdiction) -> None:
    first = add_rule(session, state, "delivery", {"how": "taxable"}, starts_on=NEW_YEAR)
    with pytest.raises(Refusal, match="The rule starts on 2026-01-01: it cannot end on 2025-12-31"):
        end_rule(session, first, date(2025, 12, 31))
    end_rule(session, first, date(2026, 6, 30))
    add_rule(session, state, "delivery", {"how": "exempt"}, starts_on=date(2026, 7, 1))
    for on, how in ((date(2026, 6, 30), "taxable"), (date(2026, 7, 1), "exempt")):
        (taxing,) = compiled(Stack(rules_of(session, [state], on)), on).jurisdictions
        assert taxing.delivery == how


def test_what_is_no_place(session: Session, state: Jurisdiction, mall: Mall) -> None:
    with pytest.raises(Refusal, match="names a jurisdiction twice"):
        set_place(session, mall.id, [state, state], starts_on=NEW_YEAR)
    set_place(session, mall.id, [state], starts_on=NEW_YEAR)
    with pytest.raises(Refusal, match="has a place from 2026-01-01 already: choose another day"):
        set_place(session, mall.id, [state], starts_on=NEW_YEAR)


# --- settings ------------------------------------------------------------------------------------------------------------------


def test_the_narrowest_setting_counts_from_its_day(session: Session, state: Jurisdiction, mall: Mall, now: datetime) -> None:
    east = make_mall(session, now, "EAST")
    county = add_jurisdiction(session, code="PINE", name="Pine County", kind="county", state_fips="98", fips="001")
    assert owed_by(session, county, mall.id, date(2026, 5, 1)) == "coop"
    set_setting(session, Terms(office="state"), starts_on=NEW_YEAR, state_fips="98")
    set_setting(
        session, Terms(office="state here", owed_by="dealer"), starts_on=date(2026, 2, 1), state_fips="98", mall_id=mall.id
    )
    set_setting(session, Terms(office="county"), starts_on=date(2026, 3, 1), jurisdiction=county)
    set_setting(session, Terms(office="county here"), starts_on=date(2026, 4, 1), jurisdiction=county, mall_id=mall.id)

    def office(jurisdiction: Jurisdiction, at: Mall, month: int) -> str | None:
        setting = setting_on(session, jurisdiction, at.id, date(2026, month, 15))
        return setting.office if setting else None

    assert [office(county, mall, month) for month in (1, 2, 3, 4)] == ["state", "state here", "county", "county here"]
    assert [office(county, east, month) for month in (1, 2, 3, 4)] == ["state", "state", "county", "county"]
    assert [office(state, mall, month) for month in (1, 4)] == ["state", "state here"]
    assert setting_on(session, state, mall.id, date(2025, 12, 31)) is None
    assert owed_by(session, state, mall.id, date(2026, 5, 1)) == "dealer"
    # The same scope and day again replaces it; a later day follows it.
    set_setting(session, Terms(office="anew"), starts_on=date(2026, 4, 1), jurisdiction=county, mall_id=mall.id)
    assert office(county, mall, 4) == "anew"


def test_a_setting_says_when_and_how_is_filed(session: Session) -> None:
    terms = Terms(
        office="Elm Revenue",
        due_day=31,
        due_months_after=2,
        due_region="TX",
        due_roll="previous",
        closed_days=("2026-12-24",),
        remits="due",
        allowance={"tiers": [[100000, "2"], [None, "1.5"]], "cap_cents": 5000, "minimum_cents": 100, "prepaid_percent": "1"},
        interest_percent=Decimal(3),
    )
    setting = set_setting(session, terms, starts_on=NEW_YEAR, state_fips="48")
    session.flush()
    session.expire_all()
    assert due_rule(setting) == DueRule(31, 2, "TX", "previous", frozenset({date(2026, 12, 24)}))
    tiers = ((100000, Decimal(2)), (None, Decimal("1.5")))
    assert filing_rules(setting) == FilingRules("due", Allowance(tiers, 5000, 100, Decimal(1)), Interest(Decimal(3), "year"))
    plain = set_setting(session, Terms(), starts_on=NEW_YEAR, state_fips="55")
    assert filing_rules(plain) == FilingRules("greater", None, None)


@pytest.mark.parametrize(
    ("terms", "sentence"),
    [
        (Terms(owed_by="both"), "owed_by: 'both' is not known; it is one of coop, dealer"),
        (Terms(frequency="week"), "frequency: 'week' is not known"),
        (Terms(due_day=32), "The setting cannot be meant: A due date is a day from 1 to 31"),
        (Terms(due_region="ZZ"), "ZZ is not a state's postal code"),
        (Terms(closed_days=("Christmas",)), "The setting cannot be meant"),
        (Terms(allowance={"tiers": [[None, "x"]]}), "The setting cannot be meant"),
        (Terms(allowance={}), "The setting cannot be meant"),
        (Terms(interest_percent=Decimal(-1)), "interest_percent: give a percent from 0 to 100"),
        (Terms(year_begins=13), "year_begins: give a month"),
    ],
)
def test_what_is_no_setting(session: Session, terms: Terms, sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        set_setting(session, terms, starts_on=NEW_YEAR, state_fips="98")


def test_a_setting_is_of_a_state_or_of_a_jurisdiction(session: Session, state: Jurisdiction) -> None:
    with pytest.raises(Refusal, match="give one of them"):
        set_setting(session, Terms(), starts_on=NEW_YEAR)
    with pytest.raises(Refusal, match="give one of them"):
        set_setting(session, Terms(), starts_on=NEW_YEAR, state_fips="98", jurisdiction=state)
    with pytest.raises(Refusal, match="State 'EL': a state's FIPS code is two digits"):
        set_setting(session, Terms(), starts_on=NEW_YEAR, state_fips="EL")


# --- certificates --------------------------------------------------------------------------------------------------------------


def test_a_certificate_on_file(session: Session, now: datetime) -> None:
    given: dict[str, Any] = {
        "number": "R-17",
        "kind": "resale",
        "buyer_name": "Orla Quint",
        "states": ["98"],
        "starts_on": NEW_YEAR,
    }
    file_certificate(session, now, **given, expires_on=date(2026, 12, 31))
    held = certificate_of(session, "R-17")
    assert held == Certificate("R-17", "resale", frozenset({"98"}), NEW_YEAR, date(2026, 12, 31))
    with pytest.raises(Refusal, match="Certificate R-18 is not on file"):
        certificate_of(session, "R-18")
    for changes, sentence in (
        ({}, "R-17 is on file already"),
        ({"number": " "}, "needs its number and the buyer's name"),
        ({"number": "R-19", "kind": "church"}, "its kind is resale or exempt, not church"),
        ({"number": "R-19", "states": []}, "name the states it holds in"),
        ({"number": "R-19", "states": ["EL"]}, "name the states it holds in"),
        ({"number": "R-19", "expires_on": date(2025, 1, 1)}, "expires on 2025-01-01, before it starts"),
    ):
        with pytest.raises(Refusal, match=sentence):
            file_certificate(session, now, **{**given, **changes})
