"""The portal: the published rota of a mall with everybody on it, how turns are shared, and a dealer's account of turns."""

from __future__ import annotations

from flask import abort, redirect, render_template, url_for
from sqlalchemy import select

from coop.core.clock import local_date
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now
from coop.floor.models import Mall
from coop.portal import turn_queries as queries
from coop.portal.turn_buy_views import all_to_buy
from coop.portal.turn_views import own_member, turns
from coop.shifts import fair_words
from coop.shifts.answering import own_malls
from coop.shifts.fair import fairness as fairness_of
from coop.shifts.planning import rota_of


def _mall(code: str) -> Mall:
    found = db().scalar(select(Mall).where(Mall.code == code))
    if found is None:
        abort(404)
    return found


@turns.get("/rota")
@allow("dealer")
def rotas() -> Page:
    """The rota of this month at the dealer's first mall; of the nearest month that is published, if this is not."""
    malls = own_malls(db(), now(), own_member()) or list(db().scalars(select(Mall).order_by(Mall.code)))
    for mall in malls:
        months = queries.published_months(db(), mall)
        this = Month.of(local_date(now(), mall.timezone))
        if months:
            month = this if this in months else min(months, key=lambda one: abs((one.first_day - this.first_day).days))
            return redirect(url_for("turns.rota", mall_code=mall.code, month=month), 303)
    return render_template("portal/turns/no_rota.html")


@turns.get("/rota/<mall_code>/<month:month>")
@allow("dealer")
def rota(mall_code: str, month: Month) -> Page:
    mall = _mall(mall_code)
    found = rota_of(db(), mall.id, month)
    if found is None or found.state != "published":
        abort(404)
    months = queries.published_months(db(), mall)
    return render_template(
        "portal/turns/rota.html",
        mall=mall,
        month=month,
        days=queries.rota_days(db(), found),
        before=max((one for one in months if one < month), default=None),
        after=min((one for one in months if one > month), default=None),
        malls=db().scalars(select(Mall).order_by(Mall.code)).all(),
        member_id=own_member(),
        today=local_date(now(), mall.timezone),
        now=now(),
    )


@turns.get("/balance")
@allow("dealer")
def balance() -> Page:
    accounts = queries.own_accounts(db(), now(), own_member())
    buying = all_to_buy([one.mall for one in accounts])
    return render_template("portal/turns/balance.html", accounts=accounts, buying=buying)


@turns.get("/fairness")
@allow("dealer")
def fairness() -> Page:
    """How turns are shared at each of the dealer's malls."""
    malls = own_malls(db(), now(), own_member())
    return render_template(
        "portal/turns/fairness.html",
        shown=[(mall, fairness_of(db(), now(), mall)) for mall in malls],
        words=fair_words,
        member_id=own_member(),
    )
