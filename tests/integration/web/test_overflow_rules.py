"""House rules of lent floor set on their page, said in sentences, refused at their field; how floor was shared out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.books.service import close_period, ensure_period
from coop.core.db import transaction
from coop.core.periods import Month
from coop.overflow.models import BayRow, OverflowRule
from coop.overflow.rules import rules_on
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_rota_house import said, told

MAIN = "/office/overflow/MAIN"
TODAY = date(2026, 11, 3)
INCH = 16
RULES: dict[str, str | list[str]] = {
    "starts_on": "2026-11-03",
    "fee_kind": "foot-week",
    "fee_cents": "1.50",
    "most_in16": "",
    "most_pieces": "3",
    "longest_weeks": "8",
    "rotation_weeks": "10",
    "recall_days": "5",
    "sold_days": "0",
    "highest_in16": "7'",
    "wall_above_in16": "5'",
    "before_in16": "42",
    "tips_from": "3.5",
    "glass": "nowhere",
    "least_length_in16": "18",
    "least_depth_in16": "12",
    "deepest_in16": "4'",
    "gap_in16": "1",
    "entry_in16": "36",
    "last_by": "fee",
}


def read(web: Web, what: Callable[..., Any]) -> Any:
    with transaction(web.sessions) as session:
        return what(session)


def change(browser: FlaskClient, **typed: str) -> Any:
    return send(browser, f"{MAIN}/rules/change", **{**RULES, **typed})


def test_rules_are_set_from_a_day_on_and_said_in_sentences(web: Web) -> None:
    browser = web.browser("manager")
    assert "No rules of overflow are set" not in said(web, f"{MAIN}/rules"), "some are set for January"
    assert change(browser).status_code == 303
    rules = read(web, lambda session: rules_on(session, web.house.mall.id, TODAY))
    assert (rules.fee_kind, rules.fee_cents, rules.most_in16, rules.most_pieces, rules.gap_in16) == (
        "foot-week",
        150,
        None,
        3,
        INCH,
    )
    page = said(web, f"{MAIN}/rules", browser)
    for sentence in (
        "Floor costs $1.50 a week for each foot along the bay, by the day, and is charged with the rent.",
        "A dealer has at most 3 pieces at a time.",
        "Floor is asked for up to 8 weeks; nobody is in one bay for more than 10 weeks of any 52.",
        "Floor is asked back with 5 days of notice; for safety, sooner.",
        "A sold piece that waits to be fetched is charged from its first day.",
        "A piece 3.5 times as high as the short side of its base, or more, tips easily: at a wall only, fastened to it.",
        "Glass and mirrors stand nowhere in an aisle.",
        "Last of all, the fee it brings decides who is given floor.",
    ):
        assert sentence in page
    assert "From Jan 1, 2027, to come" in page
    assert "A dealer has at most 3 pieces at a time." in said(web, "/office/settings/")
    send(browser, f"{MAIN}/rules/{web.house.overflow.rules}/withdraw")
    assert read(web, lambda session: session.get(OverflowRule, web.house.overflow.rules)) is None


@pytest.mark.parametrize(
    ("typed", "where", "sentence"),
    [
        ({"starts_on": ""}, "starts_on", "Write the first day"),
        ({"starts_on": "2026-11-02"}, "starts_on", "would change what floor was given by since"),
        ({"starts_on": "2027-01-01"}, "starts_on", "has rules of overflow from Jan 1, 2027 already"),
        ({"fee_cents": ""}, "fee_cents", "Write how many dollars, or let it be free."),
        ({"fee_kind": "free"}, "fee_cents", "Floor is free: leave it empty"),
        ({"fee_cents": "2000"}, "fee_cents", "at most $1,000.00"),
        ({"most_in16": "long"}, "most_in16", "This"),
        ({"longest_weeks": "11"}, "longest_weeks", "nobody is longer than 10 in one bay"),
        ({"entry_in16": "20"}, "entry_in16", "write 2' 8\" to 20' 0\""),
        ({"wall_above_in16": "8'"}, "wall_above_in16", "write 1' 0\" to 7' 0\""),
        ({"before_in16": "8'"}, "before_in16", 'write 0" to 7\' 0"'),
        ({"least_depth_in16": "5'"}, "least_depth_in16", 'write 6" to 4\' 0"'),
        ({"tips_from": "0.5"}, "tips_from", "Write a number from 1 to 20"),
        ({"glass": "somewhere"}, "glass", "Choose one of those listed."),
        ({"recall_days": "91"}, "recall_days", "Write a whole number from 0 to 90."),
    ],
)
def test_rules_that_cannot_be_meant_are_refused_at_their_field(
    web: Web, typed: dict[str, str], where: str, sentence: str
) -> None:
    answer = change(web.browser("manager"), **typed)
    wrong = told(answer)
    assert list(wrong) == [where]
    assert sentence in wrong[where]
    assert not read(web, lambda session: session.scalars(select(OverflowRule).where(OverflowRule.starts_on <= TODAY)).all())


def test_all_rules_that_cannot_be_meant_are_told_at_once(web: Web) -> None:
    typed = {
        "starts_on": "",
        "fee_cents": "2000",
        "deepest_in16": "1'",
        "least_depth_in16": "1' 6",
        "gap_in16": "wide",
        "longest_weeks": "11",
        "before_in16": "8'",
    }
    wrong = told(change(web.browser("manager"), **typed))
    assert set(wrong) == typed.keys() - {"deepest_in16"}
    assert wrong["least_depth_in16"].endswith('The least depth of a bay is 1\' 6": write 6" to 1\' 0".')
    unread = told(change(web.browser("manager"), least_depth_in16="5'", deepest_in16="deep"))
    assert list(unread) == ["deepest_in16"], "how deep a bay may be at least goes by that"


def test_rules_of_a_closed_month_are_refused_in_the_plural(web: Web) -> None:
    with transaction(web.sessions) as session:
        close_period(session, web.clock.at, ensure_period(session, web.house.mall.id, Month(2026, 10)))
    wrong = told(change(web.browser("manager"), starts_on="2026-10-01"))
    assert wrong["starts_on"].endswith(
        "The rules of overflow from Oct 1, 2026 lie in a closed month: begin them on Nov 1, 2026 or later."
    )


def test_fairness_shows_floor_had_against_rent_paid(web: Web) -> None:
    page = said(web, f"{MAIN}/fairness")
    assert "Floor is" in page
    assert "D01 Fenwick & Daughter" in page
    assert "Foot-weeks of floor by dealer, Nov 3, 2025 to Nov 2, 2026" in page


def test_fairness_of_a_mall_without_bays_says_what_is_to_be_done_first(web: Web) -> None:
    with transaction(web.sessions) as session:
        for bay in session.scalars(select(BayRow)):
            bay.ended_on = TODAY
    for who, page in (("manager", f"{MAIN}/fairness"), ("dealer", "/portal/overflow/fairness")):
        text = web.browser(who).get(page).text
        assert "There are no bays here now, so no floor is due to anybody" in text
        assert "<table" not in text
        assert "foot-week" not in text
