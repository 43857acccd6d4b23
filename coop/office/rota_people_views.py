"""The members who work a mall's turns: who is trained, holds keys and offices, is exempt; pairs and helpers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.listing import Listed
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back, show_list
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.office import rota_house_queries as queries
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.rota_house_forms import EndForm
from coop.office.rota_house_views import leading, rota_house
from coop.office.rota_people_forms import FactForm, HelperForm, ManyForm, PairForm
from coop.office.rota_people_list import PEOPLE, PersonRow, person_rows
from coop.office.views import READERS
from coop.shifts import helping
from coop.shifts import people as folk
from coop.shifts.models import TurnFact, TurnHelper, TurnPair
from coop.shifts.people import PAIR_WORDS


def _to_people(mall: Mall, anchor: str | None = None, **asked: Any) -> Page:
    return redirect(url_for("rota_house.people", mall_code=mall.code, _anchor=anchor, **asked), 303)


def _to_member(mall: Mall, member_id: int) -> Page:
    return redirect(url_for("rota_house.member", mall_code=mall.code, member_id=member_id), 303)


# --- all of them ------------------------------------------------------------------------------------------------------------


@rota_house.get("/<mall_code>/people")
@allow(*READERS)
def people(mall_code: str) -> Page:
    return _people_page(wanted_mall(mall_code))


def _people_page(mall: Mall, many: ManyForm | None = None, pair: PairForm | None = None) -> Page:
    today = today_of(mall)
    rows = person_rows(db(), mall, today)
    listed = PEOPLE.pick(rows, request.args)
    return show_list(
        listed,
        "office/rota/people.html",
        f"members-{mall.code}-{today}",
        refused=many is not None or pair is not None,
        **leading(mall),
        take_part=len(rows),
        asked=_asked(listed),
        pairs=queries.pairs_running(db(), today),
        pair_words=PAIR_WORDS,
        many=many or ManyForm(formdata=None, starts_on=today),
        pair=pair or PairForm(formdata=None, pair_from=today),
    )


def _asked(listed: Listed[PersonRow]) -> dict[str, Any]:
    """What an address asks to show the same page of the list."""
    return listed.args(page=listed.page if listed.page > 1 else None)


@rota_house.post("/<mall_code>/people/many")
@allow("manager")
def set_many(mall_code: str) -> Page:
    """The same fact of all members ticked; who has it already is left as it is."""
    mall = wanted_mall(mall_code)
    form = ManyForm()
    if not form.check():
        return _people_page(mall, many=form)
    rows = person_rows(db(), mall, today_of(mall))
    asked = _asked(PEOPLE.pick(rows, request.args))
    kind, done = form.kind.data, 0
    try:
        for row in rows:
            if row.member_id in form.wanted and not (row.trained if kind == "trained" else row.keys):
                folk.set_fact(
                    db(),
                    now(),
                    db().get_one(Member, row.member_id),
                    kind,
                    starts_on=form.starts_on.data,
                    mall_id=mall.id if kind == "keys" else None,
                    by=by(),
                )
                done += 1
    except Refusal as refusal:
        roll_back()
        form.starts_on.errors = [str(refusal)]
        return _people_page(wanted_mall(mall_code), many=form)
    are = "member is" if done == 1 else "members are"
    flash(f"{done} {are} written down as {'trained' if kind == 'trained' else 'holding a key'}.")
    return _to_people(mall, **asked)


@rota_house.post("/<mall_code>/people/pairs")
@allow("manager")
def set_pair(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    members = {row.code: row.member_id for row in person_rows(db(), mall, today_of(mall))}
    form = PairForm()
    if not form.check(members):
        return _people_page(mall, pair=form)
    one, other = (db().get_one(Member, members[field.data]) for field in (form.one, form.other))
    try:
        folk.set_pair(db(), now(), one, other, form.how.data, form.pair_from.data, by=by())
    except Refusal as refusal:
        roll_back()
        form.other.errors = [str(refusal)]
        return _people_page(wanted_mall(mall_code), pair=form)
    flash(f"{one.name} and {other.name} {PAIR_WORDS[form.how.data]}.")
    return _to_people(mall, "pairs")


@rota_house.post("/<mall_code>/people/pairs/<int:pair_id>/end")
@allow("manager")
def end_pair(mall_code: str, pair_id: int) -> Page:
    mall = wanted_mall(mall_code)
    pair = db().get(TurnPair, pair_id)
    if pair is None:
        abort(404)
    folk.end_pair(db(), now(), pair, today_of(mall) - timedelta(days=1), by=by())
    flash("The pair is ended.")
    return _to_people(mall, "pairs")


# --- one of them ------------------------------------------------------------------------------------------------------------


def _wanted_member(member_id: int) -> Member:
    member = db().get(Member, member_id)
    if member is None or not queries.codes_of(db(), member_id):
        abort(404)
    return member


@rota_house.get("/<mall_code>/people/<int:member_id>")
@allow(*READERS)
def member(mall_code: str, member_id: int) -> Page:
    return _member_page(wanted_mall(mall_code), member_id)


def _member_page(mall: Mall, member_id: int, fact: FactForm | None = None, helper: HelperForm | None = None) -> str:
    today = today_of(mall)
    return render_template(
        "office/rota/member.html",
        **page_of(mall),
        member=_wanted_member(member_id),
        codes=queries.codes_of(db(), member_id),
        standing=queries.standing_of(db(), mall, member_id, today),
        facts=[(one, queries.fact_said(one, today)) for one in queries.facts_of_member(db(), mall.id, member_id, today)],
        helpers=queries.helpers_named(db(), member_id, today),
        fact=fact or FactForm(formdata=None, starts_on=today),
        helper=helper or HelperForm(formdata=None),
    )


@rota_house.post("/<mall_code>/people/<int:member_id>/facts")
@allow("manager")
def set_fact(mall_code: str, member_id: int) -> Page:
    mall, who = wanted_mall(mall_code), _wanted_member(member_id)
    form = FactForm()
    if not form.check():
        return _member_page(mall, member_id, fact=form), 422
    try:
        row = folk.set_fact(
            db(),
            now(),
            who,
            form.kind.data,
            starts_on=form.starts_on.data,
            ends_on=form.ends_on.data,
            mall_id=mall.id if form.where.data == "here" else None,
            words=form.words.data if form.kind.data in ("office", "exempt") else "",
            less=form.less.data,
            by=by(),
        )
    except Refusal as refusal:
        roll_back()
        form.kind.errors = [str(refusal)]
        return _member_page(wanted_mall(mall_code), member_id, fact=form), 422
    flash(f"{who.name}: {queries.fact_said(row, today_of(mall))}.")
    return _to_member(mall, member_id)


def _wanted_fact(mall: Mall, fact_id: int) -> TurnFact:
    row = db().get(TurnFact, fact_id)
    if row is None or row.mall_id not in (None, mall.id):
        abort(404)
    return row


@rota_house.get("/<mall_code>/people/facts/<int:fact_id>")
@allow("manager")
def fact(mall_code: str, fact_id: int) -> Page:
    return _fact_page(wanted_mall(mall_code), fact_id, None)


def _fact_page(mall: Mall, fact_id: int, form: EndForm | None) -> str:
    row = _wanted_fact(mall, fact_id)
    who = db().get_one(Member, row.member_id)
    today = today_of(mall)
    return render_template(
        "office/rota/end.html",
        **page_of(mall),
        title=f"End it for {who.name}",
        back=(url_for("rota_house.member", mall_code=mall.code, member_id=who.id), who.name),
        said=f"{who.name}: {queries.fact_said(row, today)}, at {'every mall' if row.mall_id is None else mall.name}.",
        hint="A last day before its first takes it away. Months that are closed keep what they counted.",
        form=form or EndForm(formdata=None, ends_on=max(today, row.starts_on)),
    )


@rota_house.post("/<mall_code>/people/facts/<int:fact_id>")
@allow("manager")
def end_fact(mall_code: str, fact_id: int) -> Page:
    mall = wanted_mall(mall_code)
    row = _wanted_fact(mall, fact_id)
    form = EndForm()
    if not form.validate():
        return _fact_page(mall, fact_id, form), 422
    member_id, gone = row.member_id, form.ends_on.data < row.starts_on
    folk.end_fact(db(), now(), row, form.ends_on.data, by=by())
    flash("It is taken away." if gone else f"It ends on {written(form.ends_on.data)}.")
    return _to_member(mall, member_id)


# --- helpers ----------------------------------------------------------------------------------------------------------------


@rota_house.post("/<mall_code>/people/<int:member_id>/helpers")
@allow("manager")
def name_helper(mall_code: str, member_id: int) -> Page:
    mall, who = wanted_mall(mall_code), _wanted_member(member_id)
    form = HelperForm()
    if not form.validate():
        return _member_page(mall, member_id, helper=form), 422
    row = folk.name_helper(
        db(), now(), who, form.name.data, phone=form.phone.data or "", trained_on=form.trained_on.data, by=by()
    )
    flash(f"{row.name} may work turns for {who.name}{'' if row.trained_on else ', once trained'}.")
    return _to_member(mall, member_id)


def _wanted_helper(helper_id: int) -> TurnHelper:
    row = db().get(TurnHelper, helper_id)
    if row is None:
        abort(404)
    return row


@rota_house.post("/<mall_code>/people/helpers/<int:helper_id>/trained")
@allow("manager")
def train_helper(mall_code: str, helper_id: int) -> Page:
    """Trained from today on; or, of one who is, not any more."""
    mall, row = wanted_mall(mall_code), _wanted_helper(helper_id)
    if row.trained_on:
        helping.untrain_helper(db(), now(), row, by=by())
        flash(f"{row.name} works no turns until trained: to those the helper had the member comes.")
    else:
        folk.train_helper(db(), now(), row, today_of(mall), by=by())
        flash(f"{row.name} may stand alone.")
    return _to_member(mall, row.member_id)


@rota_house.post("/<mall_code>/people/helpers/<int:helper_id>/end")
@allow("manager")
def end_helper(mall_code: str, helper_id: int) -> Page:
    mall, row = wanted_mall(mall_code), _wanted_helper(helper_id)
    helping.drop_helper(db(), now(), row, today_of(mall) - timedelta(days=1), by=by())
    flash(f"{row.name} works no more turns here: to those the helper had the member comes.")
    return _to_member(mall, row.member_id)
