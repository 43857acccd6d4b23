"""A mall added in the office: its code, name, time zone and address."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.floor.service import add_mall as make_mall
from coop.office import queries
from coop.office.mall_forms import NewMallForm
from coop.office.views import office


def _page(form: NewMallForm) -> str:
    form.offer_zones()
    return render_template("office/new_mall.html", form=form, malls=queries.malls(db()))


@office.get("/malls/new")
@allow("manager")
def new_mall() -> Page:
    malls = queries.malls(db())
    return _page(NewMallForm(formdata=None, timezone=malls[0].timezone if malls else ""))


@office.post("/malls/new")
@allow("manager")
def add_mall() -> Page:
    form = NewMallForm()
    form.offer_zones()
    if not form.validate():
        return _page(form), 422
    try:
        mall = make_mall(
            db(),
            now(),
            form.code.data,
            name=form.name.data,
            timezone=form.timezone.data,
            address=form.address.data,
            user_id=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _page(form), 422
    flash(f"{mall.name} is there. Its plan comes next: draw it, or bring it as a file.")
    return redirect(url_for("floor.edit", mall_code=mall.code), 303)
