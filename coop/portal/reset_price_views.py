"""The portal: a set repriced in one go, and its tags as a table for other programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from wtforms import FieldList, FormField, HiddenField
from wtforms import Form as PlainForm

from coop.core.csv_text import csv_text, defused
from coop.core.errors import Refusal
from coop.core.fields import ChangeField, DollarsField, Needed, whole_number
from coop.core.money import plain_cents
from coop.core.web import Page, allow, db, download, now, roll_back, visitor
from coop.floor.models import Space
from coop.portal.reset_set_views import set_here
from coop.portal.reset_views import resets
from coop.resets.models import BoothSet
from coop.resets.set_prices import PriceRow, by_percent, price_set, prices_of


class PriceForm(PlainForm):  # type: ignore[misc]
    piece = HiddenField()
    price = DollarsField("Is to cost")


class PricesForm(FlaskForm):  # type: ignore[misc]
    """A row a piece that may be repriced; an empty price is the one there is."""

    version = HiddenField()
    rows = FieldList(FormField(PriceForm))

    @classmethod
    def of(cls, rows: Sequence[PriceRow], version: int, percent: Decimal | None = None) -> PricesForm:
        """A form that shows what is kept; or, of a percent, every price there is so much higher or lower."""
        data = [{"piece": row.piece.id, "price": _shown(row, percent)} for row in rows if not row.bound]
        return cls(formdata=None, data={"version": version, "rows": data})

    @property
    def by_piece(self) -> Mapping[int, Any]:
        """The price field of each piece."""
        named = [(whole_number(str(row.form.piece.data)), row.form.price) for row in self.rows.entries]
        return {piece_id: price for piece_id, price in named if piece_id is not None}


def _shown(row: PriceRow, percent: Decimal | None) -> int | None:
    if percent is None or row.now_cents is None:
        return row.then_cents
    return by_percent(row.now_cents, percent)


class PercentForm(FlaskForm):  # type: ignore[misc]
    """Asked for by the address, for it changes nothing."""

    class Meta:
        csrf = False

    percent = ChangeField("Percent", validators=[Needed("Write a percent, like 10, or -10 for less.")])


@resets.get("/sets/<int:set_id>/prices")
@allow("dealer")
def prices(set_id: int) -> Page:
    row = set_here(set_id)
    rows = prices_of(db(), row)
    if "percent" not in request.args:
        return _prices_page(row, rows, PricesForm.of(rows, row.version), PercentForm(formdata=None))
    filling = PercentForm(request.args)
    is_good = filling.validate()
    form = PricesForm.of(rows, row.version, filling.percent.data if is_good else None)
    page = _prices_page(row, rows, form, filling, is_filled=is_good)
    return page if is_good else (page, 422)


def _prices_page(
    row: BoothSet, rows: Sequence[PriceRow], form: PricesForm, filling: PercentForm, *, is_filled: bool = False, refused: str = ""
) -> str:
    return render_template(
        "portal/resets/prices.html",
        row=row,
        space=db().get_one(Space, row.space_id),
        rows=rows,
        form=form,
        filling=filling,
        is_filled=is_filled,
        refused=refused,
        to_write=sum(one.is_to_write for one in rows),
    )


@resets.post("/sets/<int:set_id>/prices")
@allow("dealer")
def price_pieces(set_id: int) -> Page:
    row = set_here(set_id)
    form = PricesForm()
    refused = ""
    if form.validate():
        wanted = {one: field.data for one, field in form.by_piece.items()}
        version = whole_number(str(form.version.data))
        try:
            left = price_set(db(), now(), row, wanted, version=-1 if version is None else version, user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            refused, row = str(refusal), set_here(set_id)
            form.version.data = row.version
        else:
            flash(f"The prices are kept: {left} {'tag' if left == 1 else 'tags'} to write." if left else "No price changes.")
            return redirect(url_for("resets.prices", set_id=row.id), 303)
    return _prices_page(row, prices_of(db(), row), form, PercentForm(formdata=None), refused=refused), 422


@resets.get("/sets/<int:set_id>/tags.csv")
@allow("dealer")
def tags_csv(set_id: int) -> Page:
    """The tags to write, a row each, for a program that prints them."""
    row = set_here(set_id)
    lines = [
        [
            defused(one.piece.name),
            defused(one.piece.tag),
            defused(one.piece.grouping),
            "" if one.now_cents is None else plain_cents(one.now_cents),
            plain_cents(one.then_cents or 0),
        ]
        for one in prices_of(db(), row)
        if one.is_to_write
    ]
    return download(csv_text(["piece", "tag", "grouping", "price_now", "price_to_be"], lines), "text/csv", f"tags-{row.id}.csv")
