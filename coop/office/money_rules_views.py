"""The co-op's house rules of money in the office, and what the state says of money nobody asks for."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for
from sqlalchemy import select

from coop.books import rules as service
from coop.books.models import MoneyRule, ReleaseRule
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.office.books_views import books
from coop.office.money_rules_forms import GOES_TO, EndForm, ReleaseForm, RulesForm, rules_form
from coop.office.settings_wording import MONEY, MONEY_GOES_BY
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS
from coop.sales.surcharge import CAUTION as SURCHARGE_CAUTION

CAUTION = (
    "What the state says of unclaimed property differs from state to state, and so does what a dealer may be charged for cards. "
    "These figures are the co-op’s own settings, not advice: ask whoever advises the co-op."
)


@books.get("/rules")
@allow(*READERS)
def rules() -> Page:
    return _page()


def _page(*, form: ReleaseForm | None = None, ending: tuple[int, EndForm] | None = None) -> str:
    today = office_today(db(), now())
    return render_template(
        "office/books/rules.html",
        caution=CAUTION,
        today=today,
        rules=service.rules_on(db(), today),
        dated=db().scalars(select(MoneyRule).order_by(MoneyRule.starts_on.desc())).all(),
        releases=service.release_rules(db()),
        form=form or ReleaseForm(formdata=None),
        ending=ending,
        end_form=EndForm(formdata=None),
        money=MONEY,
        goes_by=MONEY_GOES_BY,
        goes_to=GOES_TO,
    )


@books.get("/rules/change")
@allow("manager")
def change_rules() -> Page:
    today = office_today(db(), now())
    return _change_page(rules_form(service.rules_on(db(), today), today))


def _change_page(form: RulesForm) -> str:
    return render_template("office/books/change_rules.html", form=form, caution=CAUTION, surcharge_caution=SURCHARGE_CAUTION)


@books.post("/rules/change")
@allow("manager")
def set_rules() -> Page:
    form = RulesForm()
    if not form.validate():
        return _change_page(form), 422
    try:
        today = office_today(db(), now())
        row = service.change_rules(
            db(), now(), form.rules(), starts_on=form.starts_on.data, today=today, user_id=visitor().user_id
        )
    except Refusal as refusal:
        roll_back()
        told(form.starts_on, str(refusal))
        return _change_page(form), 422
    flash(f"The house rules of money are set from {written(row.starts_on)}. What is posted already stays.")
    return redirect(url_for("books.rules"), 303)


@books.post("/rules/release")
@allow("manager")
def add_release() -> Page:
    form = ReleaseForm()
    if not form.check():
        return _page(form=form), 422
    try:
        row = service.set_release_rule(
            db(),
            now(),
            what=form.what.data,
            starts_on=form.starts_on.data,
            ends_on=form.ends_on.data,
            after_days=form.after_days.data,
            goes_to=form.goes_to.data,
            said_by=form.said_by.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _page(form=form), 422
    flash(f"The rule for {row.what} is written down from {written(row.starts_on)}. It releases nothing by itself.")
    return redirect(url_for("books.rules"), 303)


@books.post("/rules/release/<int:rule_id>/end")
@allow("manager")
def end_release(rule_id: int) -> Page:
    row = db().get(ReleaseRule, rule_id)
    if row is None:
        abort(404)
    form = EndForm()
    if not form.validate():
        return _page(ending=(rule_id, form)), 422
    try:
        service.end_release_rule(db(), now(), row, form.ends_on.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        told(form.ends_on, str(refusal))
        return _page(ending=(rule_id, form)), 422
    flash(f"The rule for {row.what} ends on {written(form.ends_on.data)}.")
    return redirect(url_for("books.rules"), 303)
