"""A mall added in the office: its code, name, time zone and address."""

from __future__ import annotations

from zoneinfo import available_timezones

from flask import flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.core.errors import Refusal
from coop.core.fields import Needed, stripped, told
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.floor.service import add_mall as make_mall
from coop.office import queries
from coop.office.lease_forms import PickField
from coop.office.views import office

_NEAR = "America/"
"""Zones that are listed first."""


class MallForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write the mall's name."), Length(max=120, message="Write it in 120 characters.")],
    )
    code = StringField(
        "Code",
        filters=[stripped],
        validators=[Needed("Write a short code, like MAIN."), Length(max=12, message="Write it in 12 characters.")],
    )
    timezone = PickField("Time zone", validators=[Needed("Choose the time zone the mall is in.")])
    address = TextAreaField("Address", filters=[stripped], validators=[Length(max=400, message="Write it in 400 characters.")])

    def tell(self, sentence: str) -> None:
        """A refusal at the field it names."""
        told(self.timezone if sentence.startswith("Time zone") else self.code, sentence)


def zones() -> list[str]:
    """The zones of the IANA database that are places: those of America first, then the others."""
    places = [
        name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "SystemV/", "posix/", "right/"))
    ]
    return sorted(places, key=lambda name: (not name.startswith(_NEAR), name))


def _offer_zones(form: MallForm) -> None:
    form.timezone.among([(name, name.replace("_", " ")) for name in zones()], "choose the zone")


def _page(form: MallForm) -> str:
    _offer_zones(form)
    return render_template("office/new_mall.html", form=form, malls=queries.malls(db()))


@office.get("/malls/new")
@allow("manager")
def new_mall() -> Page:
    malls = queries.malls(db())
    return _page(MallForm(formdata=None, timezone=malls[0].timezone if malls else ""))


@office.post("/malls/new")
@allow("manager")
def add_mall() -> Page:
    form = MallForm()
    _offer_zones(form)
    if not form.validate():
        return _page(form), 422
    lines = [line.strip() for line in form.address.data.splitlines() if line.strip()]
    try:
        mall = make_mall(
            db(),
            now(),
            form.code.data,
            name=form.name.data,
            timezone=form.timezone.data,
            address="\n".join(lines),
            user_id=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _page(form), 422
    flash(f"{mall.name} is there. Its plan comes next: draw it, or bring it as a file.")
    return redirect(url_for("floor.edit", mall_code=mall.code), 303)
