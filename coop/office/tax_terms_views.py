"""What taxes, said in the office: jurisdictions, rates, rules, and who owes the tax."""

from __future__ import annotations

from datetime import date

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.templating import day as written
from coop.core.templating import percent
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.office import tax_queries
from coop.office import tax_terms_queries as queries
from coop.office.tax_setting_forms import SettingForm, filled
from coop.office.tax_terms_forms import RULE_FORMS, ArticleForm, ChangeRateForm, EndForm, JurisdictionForm, RateForm, RuleForm
from coop.tax import editing
from coop.tax.documents import CAUTION
from coop.tax.models import Jurisdiction
from coop.tax.wording import KINDS

tax_terms = Blueprint("tax_terms", __name__, url_prefix="/office/tax")

SEEN_BACK = (
    "It begins before today: tickets sold since then keep what they were charged, and the month-end names each that differs."
)


@tax_terms.context_processor
def _caution() -> dict[str, str]:
    """Every page of tax shows it."""
    return {"caution": CAUTION}


def _today() -> date:
    return tax_queries.today(db(), now())


def _by() -> editing.By:
    return editing.By(visitor().user_id, request_id())


def _jurisdiction(code: str) -> Jurisdiction:
    found = tax_queries.jurisdiction_by_code(db(), code)
    if found is None:
        abort(404)
    return found


def _done(code: str, sentence: str, *, since: date | None = None, at: str = "rates") -> Page:
    """Back to the jurisdiction, which says what was done."""
    flash(sentence)
    if since is not None and since < _today():
        flash(SEEN_BACK)
    return redirect(url_for("tax.jurisdiction", code=code, _anchor=at), 303)


# --- jurisdictions ----------------------------------------------------------------------------------------------------------


@tax_terms.get("/jurisdictions/new")
@allow("manager")
def new_jurisdiction() -> Page:
    return _jurisdiction_page(JurisdictionForm(formdata=None))


def _jurisdiction_page(form: JurisdictionForm) -> str:
    return render_template("office/tax/new_jurisdiction.html", form=form)


@tax_terms.post("/jurisdictions/new")
@allow("manager")
def add_jurisdiction() -> Page:
    form = JurisdictionForm()
    if not form.validate():
        return _jurisdiction_page(form), 422
    try:
        made = editing.found_jurisdiction(
            db(),
            now(),
            _by(),
            code=form.code.data,
            name=form.name.data,
            kind=form.kind.data,
            state_fips=form.state_fips.data,
            fips=form.fips.data or None,
        )
    except Refusal as refusal:
        roll_back()
        told(form.fips if str(refusal).startswith("FIPS") else form.code, str(refusal))
        return _jurisdiction_page(form), 422
    return _done(made.code, f"{made.name} is added. Set its rate next: without one it taxes nothing.")


# --- rates ------------------------------------------------------------------------------------------------------------------


@tax_terms.get("/jurisdictions/<code>/rates/new")
@allow("manager")
def new_rate(code: str) -> Page:
    form = RateForm(formdata=None, tax_class=["general"], starts_on=_today())
    return _new_rate_page(_jurisdiction(code), form)


def _new_rate_page(found: Jurisdiction, form: RateForm) -> str:
    return render_template("office/tax/new_rate.html", found=found, form=form, known=sorted(queries.known_classes(db())))


@tax_terms.post("/jurisdictions/<code>/rates/new")
@allow("manager")
def add_rate(code: str) -> Page:
    found = _jurisdiction(code)
    form = RateForm()
    known = queries.known_classes(db()) | queries.tiers_here(db(), found)
    if not form.check(known):
        return _new_rate_page(found, form), 422
    try:
        rate = editing.begin_rate(
            db(),
            now(),
            _by(),
            found,
            form.percent.data,
            tax_class=form.tax_class.data[0],
            starts_on=form.starts_on.data,
            ends_on=form.ends_on.data,
        )
    except Refusal as refusal:
        roll_back()
        told(form.starts_on, str(refusal))
        return _new_rate_page(_jurisdiction(code), form), 422
    sentence = f"{percent(rate.percent)} is set for {rate.tax_class} from {written(rate.starts_on)}."
    return _done(code, sentence, since=rate.starts_on)


@tax_terms.get("/rates/<int:rate_id>")
@allow("manager")
def rate(rate_id: int) -> Page:
    return _rate_page(rate_id)


def _rate_page(rate_id: int, change: ChangeRateForm | None = None, end: EndForm | None = None) -> str:
    found = queries.rate_by_id(db(), rate_id)
    if found is None:
        abort(404)
    return render_template(
        "office/tax/rate.html",
        found=found[0],
        rate=found[1],
        used=queries.rate_used(db(), found[1]),
        change=change or ChangeRateForm(formdata=None),
        end=end or EndForm(formdata=None, ends_on=found[1].ends_on),
    )


@tax_terms.post("/rates/<int:rate_id>/change")
@allow("manager")
def change_rate(rate_id: int) -> Page:
    found = queries.rate_by_id(db(), rate_id)
    if found is None:
        abort(404)
    code = found[0].code
    form = ChangeRateForm()
    if not form.check(found[1].starts_on):
        return _rate_page(rate_id, change=form), 422
    try:
        made = editing.raise_rate(db(), now(), _by(), found[1], form.percent.data, from_day=form.from_day.data)
    except Refusal as refusal:
        roll_back()
        told(form.from_day, str(refusal))
        return _rate_page(rate_id, change=form), 422
    return _done(code, f"{made.tax_class}: {percent(made.percent)} from {written(made.starts_on)}.", since=made.starts_on)


@tax_terms.post("/rates/<int:rate_id>/end")
@allow("manager")
def end_rate(rate_id: int) -> Page:
    found = queries.rate_by_id(db(), rate_id)
    if found is None:
        abort(404)
    code, tax_class = found[0].code, found[1].tax_class
    form = EndForm()
    if not form.check(found[1].starts_on):
        return _rate_page(rate_id, end=form), 422
    try:
        editing.finish_rate(db(), now(), _by(), found[1], form.ends_on.data)
    except Refusal as refusal:
        roll_back()
        told(form.ends_on, str(refusal))
        return _rate_page(rate_id, end=form), 422
    return _done(code, f"The rate for {tax_class} ends on {written(form.ends_on.data)}.")


@tax_terms.post("/rates/<int:rate_id>/withdraw")
@allow("manager")
def withdraw_rate(rate_id: int) -> Page:
    found = queries.rate_by_id(db(), rate_id)
    if found is None:
        abort(404)
    code, sentence = found[0].code, f"The rate of {percent(found[1].percent)} for {found[1].tax_class} is taken back."
    editing.withdraw_rate(db(), now(), _by(), found[1])
    return _done(code, sentence)


# --- rules ------------------------------------------------------------------------------------------------------------------


@tax_terms.get("/jurisdictions/<code>/rules/<kind>")
@allow("manager")
def new_rule(code: str, kind: str) -> Page:
    if kind not in RULE_FORMS:
        abort(404)
    return _new_rule_page(_jurisdiction(code), kind, RULE_FORMS[kind](formdata=None, starts_on=_today()))


def _new_rule_page(found: Jurisdiction, kind: str, form: RuleForm) -> str:
    return render_template(
        "office/tax/new_rule.html",
        found=found,
        kind=kind,
        kind_words=KINDS[kind],
        form=form,
        known=sorted(queries.known_classes(db())),
    )


@tax_terms.post("/jurisdictions/<code>/rules/<kind>")
@allow("manager")
def add_rule(code: str, kind: str) -> Page:
    if kind not in RULE_FORMS:
        abort(404)
    found = _jurisdiction(code)
    form = RULE_FORMS[kind]()
    right = form.check(queries.known_classes(db()))
    if isinstance(form, ArticleForm) and form.starts_on.data:
        names = [name for tier in form.used for name in tier.name.data or ()]
        there = editing.tier_rates(db(), found, names, form.starts_on.data)
        right = form.check_tiers(queries.goods_here(db(), found), there)
    if not right:
        return _new_rule_page(found, kind, form), 422
    try:
        rule = editing.begin_rule(
            db(),
            now(),
            _by(),
            found,
            kind,
            form.terms(),
            starts_on=form.starts_on.data,
            ends_on=form.ends_on.data,
            tiers=form.new_tiers(),
        )
    except Refusal as refusal:
        roll_back()
        told(form.starts_on, str(refusal))
        return _new_rule_page(_jurisdiction(code), kind, form), 422
    said = queries.rule_row(db(), found, rule, _today()).sentence
    return _done(code, f"The rule is set: {said}", since=rule.starts_on, at="rules")


@tax_terms.get("/rules/<int:rule_id>")
@allow("manager")
def rule(rule_id: int) -> Page:
    return _rule_page(rule_id)


def _rule_page(rule_id: int, form: EndForm | None = None) -> str:
    found = queries.rule_by_id(db(), rule_id)
    if found is None:
        abort(404)
    return render_template(
        "office/tax/rule.html",
        found=found[0],
        row=queries.rule_row(db(), *found, _today()),
        used=queries.rule_used(db(), found[1]),
        form=form or EndForm(formdata=None, ends_on=found[1].ends_on),
    )


@tax_terms.post("/rules/<int:rule_id>/end")
@allow("manager")
def end_rule(rule_id: int) -> Page:
    found = queries.rule_by_id(db(), rule_id)
    if found is None:
        abort(404)
    form = EndForm()
    if not form.check(found[1].starts_on):
        return _rule_page(rule_id, form), 422
    try:
        editing.finish_rule(db(), now(), _by(), found[1], form.ends_on.data)
    except Refusal as refusal:
        roll_back()
        told(form.ends_on, str(refusal))
        return _rule_page(rule_id, form), 422
    said = queries.rule_row(db(), *found, _today()).sentence
    return _done(found[0].code, f"The rule has an end: {said}", at="rules")


@tax_terms.post("/rules/<int:rule_id>/withdraw")
@allow("manager")
def withdraw_rule(rule_id: int) -> Page:
    found = queries.rule_by_id(db(), rule_id)
    if found is None:
        abort(404)
    said = queries.rule_row(db(), *found, _today()).sentence
    editing.withdraw_rule(db(), now(), _by(), found[1])
    return _done(found[0].code, f"The rule is taken back: {said}", at="rules")


# --- settings ---------------------------------------------------------------------------------------------------------------


def _scope(found: Jurisdiction) -> editing.Scope:
    """Whom the address is about: `of=state` (else the jurisdiction), `mall=CODE` (else all malls)."""
    mall_code = request.args.get("mall", "")
    mall = next((mall for mall in queries.malls(db()) if mall.code == mall_code), None)
    whole_state = request.args.get("of") == "state"
    if (mall_code and mall is None) or (whole_state and not found.state_fips):
        abort(404)
    mall_id = mall.id if mall else None
    return editing.Scope(found.state_fips, None, mall_id) if whole_state else editing.Scope(None, found, mall_id)


@tax_terms.get("/jurisdictions/<code>/settings")
@allow("manager")
def setting(code: str) -> Page:
    return _setting_page(code, None)


def _setting_page(code: str, form: SettingForm | None) -> str:
    found = _jurisdiction(code)
    scope = _scope(found)
    holds = queries.in_force(db(), found, scope, _today())
    return render_template(
        "office/tax/setting.html",
        found=found,
        scope=scope,
        holds=holds,
        malls=queries.malls(db()),
        mall_code=request.args.get("mall", ""),
        form=form or filled(holds.terms, queries.first_day_offered(holds, _today())),
    )


@tax_terms.post("/jurisdictions/<code>/settings")
@allow("manager")
def set_setting(code: str) -> Page:
    found = _jurisdiction(code)
    scope = _scope(found)
    form = SettingForm()
    if not form.check():
        return _setting_page(code, form), 422
    try:
        made = editing.change_setting(
            db(),
            now(),
            _by(),
            scope,
            form.terms(),
            starts_on=form.starts_on.data,
            layaways=queries.taxed_layaways(db(), form.starts_on.data),
            everywhere=form.everywhere.data,
        )
    except Refusal as refusal:
        roll_back()
        told(form.office, str(refusal))
        return _setting_page(code, form), 422
    flash(f"It is set from {written(made.starts_on)}. Look it over below.")
    if made.starts_on < _today():
        flash("It begins before today: months that are closed and returns that are filed stay as they are.")
    return redirect(url_for("tax.jurisdiction", code=code, _anchor="settings"), 303)
