"""The portal: a dealer's smalls, counted by grouping."""

from __future__ import annotations

from collections.abc import Sequence

from flask import abort, flash, redirect, render_template, url_for
from sqlalchemy import select

from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.portal.queries import own_dealers_query
from coop.portal.reset_forms import SmallsForm
from coop.portal.reset_views import dealers_here, resets
from coop.resets import smalls as service
from coop.resets.models import PieceRow, SmallsRow
from coop.resets.pieces import PLACE_WORDS
from coop.resets.smalls import SmallsRefused, as_counted


def _pieces() -> Sequence[PieceRow]:
    own = PieceRow.dealer_id.in_(own_dealers_query(visitor()))
    return db().scalars(select(PieceRow).where(own, PieceRow.gone_on.is_(None)).order_by(PieceRow.name_key)).all()


def _own(smalls_id: int) -> SmallsRow:
    own = SmallsRow.dealer_id.in_(own_dealers_query(visitor()))
    found = db().scalar(select(SmallsRow).where(SmallsRow.id == smalls_id, own))
    if found is None:
        abort(404)
    return found


def _form(form: SmallsForm) -> SmallsForm:
    form.among(dealers_here())
    form.onto(_pieces())
    return form


def _list_page(form: SmallsForm) -> str:
    own = SmallsRow.dealer_id.in_(own_dealers_query(visitor()))
    names = {piece.id: piece.name for piece in _pieces()}
    return render_template(
        "portal/resets/smalls.html",
        rows=db().scalars(select(SmallsRow).where(own).order_by(SmallsRow.grouping, SmallsRow.id)).all(),
        names=names,
        places=PLACE_WORDS,
        form=form,
    )


@resets.get("/smalls")
@allow("dealer")
def smalls() -> Page:
    return _list_page(_form(SmallsForm(formdata=None, data={"place": "booth"})))


@resets.post("/smalls")
@allow("dealer")
def add_smalls() -> Page:
    form = _form(SmallsForm())
    wanted, dealer = form.read(), form.chosen()
    if wanted is not None and dealer is not None:
        try:
            row = service.add_smalls(db(), now(), dealer, wanted, user_id=visitor().user_id)
        except SmallsRefused as refused:
            roll_back()
            form.tell(refused.faults)
        else:
            flash(f"{row.grouping}: {row.count} are counted.")
            return redirect(url_for("resets.smalls"), 303)
    return _list_page(form), 422


@resets.get("/smalls/<int:smalls_id>")
@allow("dealer")
def smalls_of(smalls_id: int) -> Page:
    row = _own(smalls_id)
    return render_template("portal/resets/smalls_of.html", row=row, form=_form(SmallsForm.of(as_counted(row))))


@resets.post("/smalls/<int:smalls_id>")
@allow("dealer")
def change_smalls(smalls_id: int) -> Page:
    row = _own(smalls_id)
    form = _form(SmallsForm())
    wanted = form.read()
    if wanted is not None:
        try:
            service.change_smalls(db(), now(), row, wanted, user_id=visitor().user_id)
        except SmallsRefused as refused:
            roll_back()
            form.tell(refused.faults)
        else:
            flash(f"{row.grouping} are counted anew.")
            return redirect(url_for("resets.smalls"), 303)
    return render_template("portal/resets/smalls_of.html", row=_own(smalls_id), form=form), 422


@resets.post("/smalls/<int:smalls_id>/drop")
@allow("dealer")
def drop_smalls(smalls_id: int) -> Page:
    """Take them off the list, and show them filled in below it: sent again, they are there again."""
    was = service.drop_smalls(db(), now(), _own(smalls_id), user_id=visitor().user_id)
    flash(f"{was.grouping} are off the list. They stand filled in below: count them again to have them back.")
    return _list_page(_form(SmallsForm.of(was)))
