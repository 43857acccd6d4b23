"""The page Settings: every house rule in a sentence, and the forms of what is changed nowhere else."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.web import Page, allow, db, now, request_id, roll_back, site, visitor
from coop.dealers.membership import change_coop
from coop.dealers.queries import cooperative
from coop.floor.models import Mall
from coop.floor.service import change_mall
from coop.office.mall_forms import MallForm
from coop.office.mall_page import wanted_mall
from coop.office.settings_forms import CoopForm
from coop.office.settings_queries import chapters, has_books
from coop.office.views import READERS

settings = Blueprint("settings", __name__, url_prefix="/office/settings")


@settings.get("/")
@allow(*READERS)
def first() -> Page:
    return render_template("office/settings/first.html", chapters=chapters(db(), now(), site().settings))


# --- the co-op -----------------------------------------------------------------------------------------------------------------


@settings.get("/co-op")
@allow("manager")
def coop() -> Page:
    found = cooperative(db())
    if found is None:
        abort(404)
    form = CoopForm(
        formdata=None, name=found.name, commission=found.commission_percent, payout_day=found.payout_day, paper=found.paper
    )
    return _coop_page(form)


def _coop_page(form: CoopForm) -> str:
    return render_template("office/settings/coop.html", form=form)


@settings.post("/co-op")
@allow("manager")
def set_coop() -> Page:
    form = CoopForm()
    if not form.validate():
        return _coop_page(form), 422
    try:
        changed = change_coop(
            db(),
            now(),
            name=form.name.data,
            commission_percent=form.commission.data,
            payout_day=form.payout_day.data,
            paper=form.paper.data,
            user_id=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        told(form.name, str(refusal))
        return _coop_page(form), 422
    flash(_said(changed))
    return redirect(url_for("settings.first"), 303)


def _said(changed: list[str]) -> str:
    return f"Changed: {'; '.join(changed)}." if changed else "Nothing was changed."


# --- a mall --------------------------------------------------------------------------------------------------------------------


@settings.get("/malls/<mall_code>")
@allow("manager")
def mall(mall_code: str) -> Page:
    found = wanted_mall(mall_code)
    return _mall_page(found, MallForm(formdata=None, name=found.name, address=found.address, timezone=found.timezone))


def _mall_page(found: Mall, form: MallForm) -> str:
    zone_stays = has_books(db(), found.id)
    if zone_stays:
        form.offer_only(found.timezone)
    else:
        form.offer_zones(found.timezone)
    return render_template("office/settings/mall.html", mall=found, form=form, zone_stays=zone_stays)


@settings.post("/malls/<mall_code>")
@allow("manager")
def set_mall(mall_code: str) -> Page:
    found = wanted_mall(mall_code)
    form = MallForm()
    form.offer_zones(found.timezone)
    if not form.validate():
        return _mall_page(found, form), 422
    try:
        changed = change_mall(
            db(),
            now(),
            found,
            name=form.name.data,
            address=form.address.data,
            timezone=form.timezone.data,
            has_books=has_books(db(), found.id),
            user_id=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _mall_page(wanted_mall(mall_code), form), 422
    flash(_said(changed))
    return redirect(url_for("settings.first"), 303)
