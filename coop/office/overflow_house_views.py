"""The house rules of a mall's lent floor in the office, and how it was shared out against rent paid."""

from __future__ import annotations

from flask import render_template

from coop.core.web import Page, allow, db, now
from coop.office.house_rules import HouseRules
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_house_forms import RulesForm, rules_form
from coop.office.overflow_views import overflow
from coop.office.settings_overflow_wording import OVERFLOW, UNSET
from coop.office.views import READERS
from coop.overflow import fair, fair_words
from coop.overflow import rules as ruling
from coop.overflow.models import OverflowRule

# --- rules ------------------------------------------------------------------------------------------------------------------


RULES = HouseRules(
    form=RulesForm,
    template="office/overflow/change_rules.html",
    address="overflow.rules",
    set=lambda mall, day, changes: ruling.set_rules(db(), now(), mall, day, by=by(), **changes),
    was_set="The rules of overflow are set from {day}.",
    row=OverflowRule,
    take_back=lambda row: ruling.take_back_rules(db(), now(), row, by=by()),
)


@overflow.get("/<mall_code>/rules")
@allow(*READERS)
def rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return render_template(
        "office/overflow/rules.html",
        **page_of(mall),
        rules=ruling.rules_on(db(), mall.id, today_of(mall)),
        dated=ruling.dated_rules(db(), mall.id),
        house_rules=OVERFLOW,
        unset=UNSET,
    )


@overflow.get("/<mall_code>/rules/change")
@allow("manager")
def change_rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    dated = ruling.dated_rules(db(), mall.id)
    return RULES.page(mall, rules_form(dated[0][1] if dated else ruling.OverflowRules(), today_of(mall)))


@overflow.post("/<mall_code>/rules/change")
@allow("manager")
def set_rules(mall_code: str) -> Page:
    return RULES.set_sent(mall_code)


@overflow.post("/<mall_code>/rules/<int:rule_id>/withdraw")
@allow("manager")
def withdraw_rules(mall_code: str, rule_id: int) -> Page:
    return RULES.withdraw(mall_code, rule_id)


# --- fairness ---------------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/fairness")
@allow(*READERS)
def fairness(mall_code: str) -> Page:
    """Who has had how much floor in a year, for how much rent."""
    mall = wanted_mall(mall_code)
    return render_template(
        "office/overflow/fairness.html", **page_of(mall), fair=fair.fairness(db(), now(), mall), words=fair_words
    )
