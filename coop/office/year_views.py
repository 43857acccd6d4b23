"""The year in the office: every dealer's totals for the accountant, thresholds, and a surplus shared."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.web import Page, allow, db, download, now, roll_back, visitor
from coop.dealers.models import UserAccount
from coop.floor.models import Mall
from coop.office import payout_views
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS
from coop.office.year_forms import ShareForm, ThresholdForm
from coop.payouts import patronage as sharing
from coop.payouts import year as service
from coop.payouts.domain.year import CAUTION, COMPARED, year_csv
from coop.payouts.models import Patronage
from coop.payouts.queries import codes_of

year = Blueprint("year", __name__, url_prefix="/office/payouts")
year.context_processor(payout_views.shared)
KEEPERS = payout_views.KEEPERS


# --- totals -------------------------------------------------------------------------------------------------------------


@year.get("/year")
@allow(*READERS)
def totals() -> Page:
    """The year that an accountant asks for: the last one until the spring, then the one that runs."""
    today = office_today(db(), now())
    years = service.years_in_books(db(), today)
    return _totals_page(today.year - 1 if today.month < 5 and today.year - 1 in years else today.year)


@year.get("/year/<count:number>")
@allow(*READERS)
def totals_of(number: int) -> Page:
    if number not in service.years_in_books(db(), office_today(db(), now())):
        abort(404)
    return _totals_page(number)


def _totals_page(number: int) -> str:
    found = service.year_totals(db(), number)
    return render_template(
        "office/payouts/year.html",
        found=found,
        years=service.years_in_books(db(), office_today(db(), now())),
        caution=CAUTION,
        compared=COMPARED,
    )


@year.get("/year/<count:number>.csv")
@allow(*READERS)
def totals_csv(number: int) -> Page:
    if number not in service.years_in_books(db(), office_today(db(), now())):
        abort(404)
    return download(year_csv(service.year_totals(db(), number)), "text/csv", f"year-{number}.csv")


@year.get("/year/thresholds")
@allow(*READERS)
def thresholds() -> Page:
    return _thresholds_page(ThresholdForm(formdata=None, from_year=office_today(db(), now()).year))


def _thresholds_page(form: ThresholdForm) -> str:
    return render_template(
        "office/payouts/thresholds.html", rows=service.all_thresholds(db()), form=form, caution=CAUTION, compared=COMPARED
    )


@year.post("/year/thresholds")
@allow("manager")
def set_threshold() -> Page:
    form = ThresholdForm()
    if not form.validate():
        return _thresholds_page(form), 422
    row = service.set_threshold(
        db(),
        now(),
        kind=form.kind.data,
        from_year=form.from_year.data,
        amount_cents=form.amount.data,
        least_count=form.least_count.data or 0,
        said_by=form.said_by.data,
        user_id=visitor().user_id,
    )
    flash(f"From {row.from_year} on, {row.kind} are looked at from {format_dollars(row.amount_cents)}.")
    return redirect(url_for("year.thresholds"), 303)


# --- patronage ------------------------------------------------------------------------------------------------------------


@year.get("/patronage")
@allow(*READERS)
def patronage() -> Page:
    return _patronage_page(ShareForm(formdata=None, year=office_today(db(), now()).year - 1))


def _patronage_page(form: ShareForm) -> str:
    return render_template(
        "office/payouts/patronage.html", rows=sharing.patronages(db()), form=form, caution=sharing.CAUTION, one=None
    )


@year.post("/patronage")
@allow(*KEEPERS)
def propose() -> Page:
    form = ShareForm()
    if not form.validate():
        return _patronage_page(form), 422
    try:
        made = sharing.propose_patronage(
            db(),
            now(),
            form.year.data,
            surplus_cents=form.surplus.data,
            cash_percent=form.cash_percent.data,
            on=form.on.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _patronage_page(form), 422
    flash("The shares are worked out. Nothing is posted until a second person approves them.")
    return redirect(url_for("year.shares", number=made.year), 303)


def _shared(number: int) -> Patronage:
    found = sharing.newest_patronage(db(), number)
    if found is None:
        abort(404)
    return found


@year.get("/patronage/<count:number>")
@allow(*READERS)
def shares(number: int) -> Page:
    found = _shared(number)
    people = {found.made_by, found.approved_by} - {None}
    return render_template(
        "office/payouts/shares.html",
        one=found,
        codes=codes_of(db()),
        malls={mall.id: mall for mall in db().scalars(select(Mall))},
        who={user_id: db().get_one(UserAccount, user_id).email for user_id in people},
        caution=sharing.CAUTION,
    )


@year.post("/patronage/<count:number>/approve")
@allow(*KEEPERS)
def approve(number: int) -> Page:
    posted = sharing.approve_patronage(db(), now(), _shared(number), user_id=visitor().user_id)
    flash(f"It is posted, in {posted} {'entry' if posted == 1 else 'entries'}. The cash goes out with the next run of payouts.")
    return redirect(url_for("year.shares", number=number), 303)


@year.post("/patronage/<count:number>/drop")
@allow(*KEEPERS)
def drop(number: int) -> Page:
    sharing.drop_patronage(db(), now(), _shared(number), user_id=visitor().user_id)
    flash(f"The proposal of {number} is dropped.")
    return redirect(url_for("year.patronage"), 303)
