"""What holds for all leases of a mall: prices by zone, house rules with the clauses of the agreement, index values."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, takes
from coop.floor.models import Mall
from coop.leases import editing
from coop.leases.domain import plain
from coop.leases.models import LeaseRule, RentRate
from coop.leases.wording import UNITS
from coop.office import lease_queries as queries
from coop.office.house_rules import HouseRules
from coop.office.lease_house_forms import IndexFileForm, IndexForm, RateForm, RulesForm, rules_form
from coop.office.lease_views import leases
from coop.office.mall_page import by, page_of, row_of, today_of, wanted_mall
from coop.office.settings_wording import LEASES
from coop.office.views import READERS

MOST_BYTES = 2 * 1024 * 1024
"""Of a file of index values: a month a line, for longer than any index is old."""


# --- prices -----------------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/rates")
@allow(*READERS)
def rates(mall_code: str) -> Page:
    return _rates_page(wanted_mall(mall_code), None)


def _rates_page(mall: Mall, form: RateForm | None) -> str:
    return render_template(
        "office/leases/rates.html",
        **page_of(mall),
        rows=queries.rate_rows(db(), mall.id, today_of(mall)),
        zones=queries.zones_without_rate(db(), mall.id, today_of(mall)),
        spaceless=queries.rates_without_space(db(), mall.id, today_of(mall)),
        floor_zones=queries.zones_of_floor(db(), mall.id, today_of(mall)),
        form=form or RateForm(formdata=None, starts_on=today_of(mall)),
    )


@leases.post("/<mall_code>/rates")
@allow("manager")
def set_rate(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = RateForm()
    if not form.validate():
        return _rates_page(mall, form), 422
    try:
        rate = editing.begin_rate(
            db(), now(), by(), mall, form.zone.data, form.price.data, per=form.per.data, starts_on=form.starts_on.data
        )
    except Refusal as refusal:
        roll_back()
        form.starts_on.errors = [str(refusal)]
        return _rates_page(wanted_mall(mall_code), form), 422
    said = f"Zone {rate.zone} costs ${plain(rate.price)} {UNITS[rate.per]} from {written(rate.starts_on)}."
    if rate.zone in queries.rates_without_space(db(), mall.id, today_of(mall)):
        said += " No space is in that zone yet."
    flash(said)
    return redirect(url_for("leases.rates", mall_code=mall.code), 303)


@leases.post("/<mall_code>/rates/<int:rate_id>/withdraw")
@allow("manager")
def withdraw_rate(mall_code: str, rate_id: int) -> Page:
    mall = wanted_mall(mall_code)
    rate = row_of(mall, RentRate, rate_id)
    sentence = f"The rate of zone {rate.zone} from {written(rate.starts_on)} is taken back."
    editing.take_back_rate(db(), now(), by(), rate)
    flash(sentence)
    return redirect(url_for("leases.rates", mall_code=mall.code), 303)


# --- house rules and clauses ------------------------------------------------------------------------------------------------


RULES = HouseRules(
    form=RulesForm,
    template="office/leases/change_rules.html",
    address="leases.rules",
    set=lambda mall, day, changes: editing.change_rules(db(), now(), by(), mall, day, **changes),
    was_set="The house rules are set from {day}. What is posted already stays.",
    row=LeaseRule,
    take_back=lambda row: editing.take_back_rules(db(), now(), by(), row),
    called="house rules",
)


@leases.get("/<mall_code>/rules")
@allow(*READERS)
def rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    return render_template(
        "office/leases/rules.html",
        **page_of(mall),
        rules=queries.rules_on(db(), mall.id, today),
        house_rules=LEASES,
        dated=[(row.id, row) for row in queries.dated_rules(db(), mall.id)],
    )


@leases.get("/<mall_code>/rules/change")
@allow("manager")
def change_rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    return RULES.page(mall, rules_form(queries.latest_rules(db(), mall.id, today), today))


@leases.post("/<mall_code>/rules/change")
@allow("manager")
def set_rules(mall_code: str) -> Page:
    return RULES.set_sent(mall_code)


@leases.post("/<mall_code>/rules/<int:rule_id>/withdraw")
@allow("manager")
def withdraw_rules(mall_code: str, rule_id: int) -> Page:
    return RULES.withdraw(mall_code, rule_id)


# --- index values -----------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/index-values")
@allow(*READERS)
def index_values(mall_code: str) -> Page:
    return _index_page(wanted_mall(mall_code))


def _index_page(mall: Mall, form: IndexForm | None = None, upload: IndexFileForm | None = None) -> str:
    return render_template(
        "office/leases/index_values.html",
        **page_of(mall),
        rows=queries.index_values(db()),
        form=form or IndexForm(formdata=None),
        upload=upload or IndexFileForm(formdata=None),
    )


@leases.post("/<mall_code>/index-values")
@allow("manager")
def enter_index(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = IndexForm()
    if not form.validate():
        return _index_page(mall, form), 422
    try:
        index = editing.enter_index(db(), now(), by(), form.series.data, form.month.data, form.value.data)
    except Refusal as refusal:
        roll_back()
        form.value.errors = [str(refusal)]
        return _index_page(wanted_mall(mall_code), form), 422
    flash(f"{index.series} for {form.month.data.name} is {plain(index.value)}.")
    return redirect(url_for("leases.index_values", mall_code=mall.code), 303)


@leases.post("/<mall_code>/index-values/file")
@allow("manager")
@takes(MOST_BYTES)
def bring_index(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = IndexFileForm()
    if not form.validate_on_submit():
        return _index_page(mall, upload=form), 422
    try:
        count = editing.bring_index(db(), now(), by(), form.file.data.stream.read().decode("utf-8-sig"))
    except UnicodeDecodeError:
        form.file.errors = ["The file is no text in UTF-8: save it as CSV (UTF-8) and bring it again."]
    except Refusal as refusal:
        roll_back()
        form.file.errors = [str(refusal)]
    else:
        flash(f"{count} new {'value is' if count == 1 else 'values are'} brought in.")
        return redirect(url_for("leases.index_values", mall_code=mall.code), 303)
    return _index_page(wanted_mall(mall_code), upload=form), 422
