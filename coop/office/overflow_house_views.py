"""The house rules of a mall's lent floor in the office, and how it was shared out against rent paid."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back
from coop.floor.models import Mall
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_house_forms import RulesForm, rules_form
from coop.office.overflow_views import overflow
from coop.office.settings_overflow_wording import OVERFLOW, UNSET
from coop.office.views import READERS
from coop.overflow import fair, fair_words
from coop.overflow import rules as ruling
from coop.overflow.models import OverflowRule

# --- rules ------------------------------------------------------------------------------------------------------------------


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
    return _rules_page(mall, rules_form(dated[0][1] if dated else ruling.OverflowRules(), today_of(mall)))


def _rules_page(mall: Mall, form: RulesForm) -> str:
    return render_template("office/overflow/change_rules.html", **page_of(mall), form=form)


@overflow.post("/<mall_code>/rules/change")
@allow("manager")
def set_rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = RulesForm()
    if not form.check():
        return _rules_page(mall, form), 422
    try:
        row = ruling.set_rules(db(), now(), mall, form.starts_on.data, by=by(), **form.changes())
    except Refusal as refusal:
        roll_back()
        form.refuse(str(refusal))
        return _rules_page(wanted_mall(mall_code), form), 422
    flash(f"The rules of overflow are set from {written(row.starts_on)}.")
    return redirect(url_for("overflow.rules", mall_code=mall.code), 303)


@overflow.post("/<mall_code>/rules/<int:rule_id>/withdraw")
@allow("manager")
def withdraw_rules(mall_code: str, rule_id: int) -> Page:
    mall = wanted_mall(mall_code)
    row = db().get(OverflowRule, rule_id)
    if row is None or row.mall_id != mall.id:
        abort(404)
    said = f"The rules from {written(row.starts_on)} are taken back."
    ruling.take_back_rules(db(), now(), row, by=by())
    flash(said)
    return redirect(url_for("overflow.rules", mall_code=mall.code), 303)


# --- fairness ---------------------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/fairness")
@allow(*READERS)
def fairness(mall_code: str) -> Page:
    """Who has had how much floor in a year, for how much rent."""
    mall = wanted_mall(mall_code)
    return render_template(
        "office/overflow/fairness.html", **page_of(mall), fair=fair.fairness(db(), now(), mall), words=fair_words
    )
