"""A lease made and changed in the office. Every act is a form of its own; what the service allows is undone, not asked twice."""

from __future__ import annotations

from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers import queries as people
from coop.dealers.models import Dealer
from coop.floor import queries as floor
from coop.floor.models import Mall, Space
from coop.leases import agreements, changing, editing, leaving, settling
from coop.leases.agreements import Terms
from coop.leases.models import Charge, Dispute, LeaseSpace, LeaseTerm, MoveOutItem
from coop.leases.pricing import named
from coop.leases.rules import rules_on
from coop.leases.wording import term_sentence
from coop.office import lease_queries as queries
from coop.office.lease_acts import LEASE_ACTS, SPAN_ACTS, Act, On
from coop.office.lease_forms import LeaseForm, OutcomeForm, TickForm
from coop.office.lease_term_forms import TERM_FORMS, TermForm
from coop.office.lease_views import lease_page, leases, wanted_lease
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.queries import final_statement_made


def _back(mall: Mall, lease_id: int, sentence: str, at: str | None = None) -> Page:
    flash(sentence)
    return redirect(url_for("leases.lease", mall_code=mall.code, lease_id=lease_id, _anchor=at), 303)


# --- a new lease ------------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/new")
@allow("manager")
def new_lease(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    rules = rules_on(db(), mall.id, today)
    coop = people.cooperative(db())
    whose = db().scalar(select(Dealer.id).where(Dealer.code == request.args.get("dealer", "")))
    form = LeaseForm(
        formdata=None,
        dealer=str(whose or ""),
        starts_on=today,
        commission_percent=coop.commission_percent if coop else None,
        proration=rules.proration,
        notice_days=rules.notice_days,
        notice_to="month" if rules.notice_to_month_end else "any",
    )
    return _new_page(mall, form)


def _spaces(mall: Mall) -> dict[str, Space]:
    return {str(space.id): space for space in floor.spaces_of(db(), mall.id, today_of(mall))}


def _offer_choices(mall: Mall, form: LeaseForm) -> None:
    dealers = sorted(queries.dealer_names(db()).items(), key=lambda item: item[1])
    form.dealer.among([(str(dealer_id), " ".join(names)) for dealer_id, names in dealers], "choose a dealer")
    for entry in form.spaces:
        entry.form.space.among([(key, f"{named(space)}, {space.zone}") for key, space in _spaces(mall).items()], "none")


def _new_page(mall: Mall, form: LeaseForm) -> str:
    _offer_choices(mall, form)
    return render_template("office/leases/new.html", **page_of(mall), form=form)


@leases.post("/<mall_code>/new")
@allow("manager")
def make_lease(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = LeaseForm()
    _offer_choices(mall, form)
    right = form.check()
    if not form.dealer.data:
        form.dealer.errors = ["Choose whose lease it is."]
        right = False
    if not right:
        return _new_page(mall, form), 422
    spaces = _spaces(mall)
    asked = [one.asked(spaces) for one in form.used]
    try:
        deposit = form.deposit.data
        if deposit is None:
            deposit = agreements.deposit_asked(db(), mall, asked, form.starts_on.data).amount_cents
        made = agreements.make_lease(
            db(),
            now(),
            mall,
            db().get_one(Dealer, int(form.dealer.data)),
            starts_on=form.starts_on.data,
            commission_percent=form.commission_percent.data,
            spaces=asked,
            terms=Terms(
                term_ends_on=form.term_ends_on.data,
                proration=form.proration.data,
                notice_days=form.notice_days.data,
                notice_to_month_end=form.notice_to.data == "month",
                deposit_cents=deposit,
            ),
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.starts_on.errors = [str(refusal)]
        return _new_page(wanted_mall(mall_code), form), 422
    return _back(mall, made.id, "The lease is made. Print its agreement, and have it signed.")


# --- acts with a form -------------------------------------------------------------------------------------------------------


def _on(mall_code: str, lease_id: int, span_id: int | None = None) -> On:
    mall = wanted_mall(mall_code)
    lease = wanted_lease(mall, lease_id)
    span = None
    if span_id is not None:
        span = db().get(LeaseSpace, span_id)
        if span is None or span.lease_id != lease.id:
            abort(404)
    return On(db(), now(), mall, lease, visitor().user_id, today_of(mall), span)


def _show(act: Act, on: On) -> str:
    form = act.form(formdata=None, **act.fill(on))
    return _act_page(act, on, form)


def _act_page(act: Act, on: On, form: FlaskForm) -> str:
    if act.prepare:
        act.prepare(on, form)
    return render_template(
        "office/leases/act.html",
        **page_of(on.mall),
        act=act,
        lease=on.lease,
        dealer=queries.dealer_names(db())[on.lease.dealer_id],
        space=named(on.held.space) if on.span else "",
        form=form,
    )


def _do(act: Act, mall_code: str, lease_id: int, span_id: int | None = None) -> Page:
    on = _on(mall_code, lease_id, span_id)
    form: Any = act.form()
    if act.prepare:
        act.prepare(on, form)
    # Forms that ask more than their fields do have a check of their own.
    right = form.check() if hasattr(form, "check") else form.validate()
    if right:
        try:
            sentence = act.do(on, form)
        except Refusal as refusal:
            roll_back()
            form[act.told_at].errors = [str(refusal)]
        else:
            return _back(on.mall, lease_id, sentence)
    return _act_page(act, _on(mall_code, lease_id, span_id), form), 422


@leases.get("/<mall_code>/<int:lease_id>/<act>")
@allow("manager")
def act(mall_code: str, lease_id: int, act: str) -> Page:
    if act not in LEASE_ACTS:
        abort(404)
    return _show(LEASE_ACTS[act], _on(mall_code, lease_id))


@leases.post("/<mall_code>/<int:lease_id>/<act>")
@allow("manager")
def do_act(mall_code: str, lease_id: int, act: str) -> Page:
    if act not in LEASE_ACTS:
        abort(404)
    return _do(LEASE_ACTS[act], mall_code, lease_id)


@leases.get("/<mall_code>/<int:lease_id>/spaces/<int:span_id>/<act>")
@allow("manager")
def span_act(mall_code: str, lease_id: int, span_id: int, act: str) -> Page:
    if act not in SPAN_ACTS:
        abort(404)
    return _show(SPAN_ACTS[act], _on(mall_code, lease_id, span_id))


@leases.post("/<mall_code>/<int:lease_id>/spaces/<int:span_id>/<act>")
@allow("manager")
def do_span_act(mall_code: str, lease_id: int, span_id: int, act: str) -> Page:
    if act not in SPAN_ACTS:
        abort(404)
    return _do(SPAN_ACTS[act], mall_code, lease_id, span_id)


# --- taken back, gone through, ended ----------------------------------------------------------------------------------------


@leases.post("/<mall_code>/<int:lease_id>/spaces/<int:span_id>/withdraw")
@allow("manager")
def withdraw_span(mall_code: str, lease_id: int, span_id: int) -> Page:
    on = _on(mall_code, lease_id, span_id)
    name = named(on.held.space)
    changing.withdraw_span(db(), now(), on.held, user_id=on.user_id)
    return _back(on.mall, lease_id, f"What was to come of {name} is taken back.")


@leases.post("/<mall_code>/<int:lease_id>/notice/take-back")
@allow("manager")
def take_back_notice(mall_code: str, lease_id: int) -> Page:
    on = _on(mall_code, lease_id)
    leaving.take_back_notice(db(), now(), on.lease, user_id=on.user_id)
    return _back(on.mall, lease_id, "The notice is taken back: the lease goes on.")


@leases.post("/<mall_code>/<int:lease_id>/take-back")
@allow("manager")
def take_back_lease(mall_code: str, lease_id: int) -> Page:
    on = _on(mall_code, lease_id)
    agreements.take_back_lease(db(), now(), on.lease, user_id=on.user_id)
    flash("The lease is taken back, as if it had not been made.")
    return redirect(url_for("leases.work", mall_code=on.mall.code), 303)


def _item(on: On, item_id: int) -> MoveOutItem:
    item = db().get(MoveOutItem, item_id)
    if item is None or item.lease_id != on.lease.id:
        abort(404)
    return item


@leases.post("/<mall_code>/<int:lease_id>/list")
@allow("manager")
def tick_items(mall_code: str, lease_id: int) -> Page:
    on = _on(mall_code, lease_id)
    form = TickForm()
    if not form.validate_on_submit():
        return lease_page(on.mall, on.lease, form), 422
    items = [_item(on, item_id) for item_id in form.items.data]
    for item in items:
        leaving.tick_item(db(), now(), item, by=form.done_by.data, note=form.note.data or "", user_id=on.user_id)
    return _back(on.mall, lease_id, f"Done: {', '.join(item.what for item in items)}.", "list")


@leases.post("/<mall_code>/<int:lease_id>/list/<int:item_id>/open")
@allow("manager")
def untick_item(mall_code: str, lease_id: int, item_id: int) -> Page:
    on = _on(mall_code, lease_id)
    item = _item(on, item_id)
    leaving.untick_item(db(), now(), item, user_id=on.user_id)
    return _back(on.mall, lease_id, f"{item.what}: open again.", "list")


@leases.post("/<mall_code>/<int:lease_id>/end")
@allow("manager")
def end_lease(mall_code: str, lease_id: int) -> Page:
    on = _on(mall_code, lease_id)
    made = on.lease.ends_on is not None and final_statement_made(db(), on.lease, on.lease.ends_on)
    leaving.end_lease(db(), now(), on.lease, on=on.today, final_statement_made=made, user_id=on.user_id)
    return _back(on.mall, lease_id, "The lease has ended.")


# --- terms ------------------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/<int:lease_id>/terms/<kind>")
@allow("manager")
def new_term(mall_code: str, lease_id: int, kind: str) -> Page:
    if kind not in TERM_FORMS:
        abort(404)
    on = _on(mall_code, lease_id)
    form = TERM_FORMS[kind][1](formdata=None, starts_on=max(on.today, on.lease.starts_on), every_months=12, lag_months=2)
    return _term_page(on, kind, form)


def _term_page(on: On, kind: str, form: TermForm) -> str:
    return render_template(
        "office/leases/new_term.html",
        **page_of(on.mall),
        lease=on.lease,
        dealer=queries.dealer_names(db())[on.lease.dealer_id],
        kind=kind,
        kind_words=TERM_FORMS[kind][0],
        form=form,
    )


@leases.post("/<mall_code>/<int:lease_id>/terms/<kind>")
@allow("manager")
def add_term(mall_code: str, lease_id: int, kind: str) -> Page:
    if kind not in TERM_FORMS:
        abort(404)
    on = _on(mall_code, lease_id)
    form = TERM_FORMS[kind][1]()
    if not form.check():
        return _term_page(on, kind, form), 422
    try:
        term = editing.begin_term(
            db(), now(), by(), on.lease, form.kind, form.terms(), starts_on=form.starts_on.data, ends_on=form.ends_on.data
        )
    except Refusal as refusal:
        roll_back()
        form.starts_on.errors = [str(refusal)]
        return _term_page(_on(mall_code, lease_id), kind, form), 422
    said = term_sentence(term.kind, term.terms, term.starts_on, term.ends_on)
    return _back(on.mall, lease_id, f"It is agreed: {said}", "terms")


def _term(on: On, term_id: int) -> LeaseTerm:
    term = db().get(LeaseTerm, term_id)
    if term is None or term.lease_id != on.lease.id:
        abort(404)
    return term


@leases.post("/<mall_code>/<int:lease_id>/terms/<int:term_id>/end")
@allow("manager")
def end_term(mall_code: str, lease_id: int, term_id: int) -> Page:
    """End a term today."""
    on = _on(mall_code, lease_id)
    term = _term(on, term_id)
    editing.end_term(db(), now(), by(), term, on.today)
    return _back(on.mall, lease_id, f"It ends today, on {written(on.today)}.", "terms")


@leases.post("/<mall_code>/<int:lease_id>/terms/<int:term_id>/withdraw")
@allow("manager")
def withdraw_term(mall_code: str, lease_id: int, term_id: int) -> Page:
    on = _on(mall_code, lease_id)
    term = _term(on, term_id)
    said = term_sentence(term.kind, term.terms, term.starts_on, term.ends_on)
    editing.take_back_term(db(), now(), by(), term)
    return _back(on.mall, lease_id, f"It is taken back: {said}", "terms")


# --- disputes ---------------------------------------------------------------------------------------------------------------


def _dispute(on: On, dispute_id: int) -> tuple[Dispute, Charge]:
    found = (
        db()
        .execute(
            select(Dispute, Charge)
            .join(Charge, Charge.id == Dispute.charge_id)
            .where(Dispute.id == dispute_id, Charge.lease_id == on.lease.id)
        )
        .first()
    )
    if found is None:
        abort(404)
    return found[0], found[1]


@leases.get("/<mall_code>/<int:lease_id>/disputes/<int:dispute_id>")
@allow("manager")
def dispute(mall_code: str, lease_id: int, dispute_id: int) -> Page:
    return _dispute_page(_on(mall_code, lease_id), dispute_id, OutcomeForm(formdata=None))


def _dispute_page(on: On, dispute_id: int, form: OutcomeForm) -> str:
    found, charge = _dispute(on, dispute_id)
    return render_template(
        "office/leases/dispute.html",
        **page_of(on.mall),
        lease=on.lease,
        dealer=queries.dealer_names(db())[on.lease.dealer_id],
        dispute=found,
        charge=charge,
        most=settling.most_to_give_back(db(), charge),
        back=settling.given_back(db(), found),
        form=form,
    )


@leases.post("/<mall_code>/<int:lease_id>/disputes/<int:dispute_id>")
@allow("manager")
def decide_dispute(mall_code: str, lease_id: int, dispute_id: int) -> Page:
    on = _on(mall_code, lease_id)
    form = OutcomeForm()
    if not form.validate():
        return _dispute_page(on, dispute_id, form), 422
    found, charge = _dispute(on, dispute_id)
    label = charge.label
    told_at = form.outcome
    try:
        editing.decide_dispute(db(), now(), by(), found, on=on.today, outcome=form.outcome.data)
        told_at = form.back
        if form.back.data:
            editing.give_back(db(), now(), by(), found, form.back.data, on=on.today)
    except Refusal as refusal:
        roll_back()
        told_at.errors = [str(refusal)]
        return _dispute_page(_on(mall_code, lease_id), dispute_id, form), 422
    return _back(
        on.mall,
        lease_id,
        f"The dispute of {label} is decided{f', and {format_dollars(form.back.data)} given back' if form.back.data else ''}.",
        "charges",
    )
