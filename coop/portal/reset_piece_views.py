"""The portal: a dealer's pieces, as a list, one by one, and in a file."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.web import Page, allow, db, now, roll_back, show_list, takes, visitor
from coop.core.words import joined
from coop.dealers.dealer_file import MOST_BYTES
from coop.portal.reset_forms import OWN_COLOURS, PieceFileForm, PieceForm
from coop.portal.reset_piece_list import PieceShown, own_piece, own_pieces
from coop.portal.reset_views import dealers_here, resets, today_here
from coop.resets import pieces as service
from coop.resets.models import PieceRow
from coop.resets.pieces import PieceRefused, copy_piece, let_go_piece, own_colours, take_back_piece
from coop.resets.pieces_csv import COLUMNS, MOST_ROWS, PiecesRefused, RowFault, bring_pieces
from coop.resets.reading import bound_by_sales

_TAKES = MOST_BYTES + 64 * 1024
"""A file, and what a form has around it."""


@resets.get("/pieces")
@allow("dealer")
def pieces() -> Page:
    return show_list(own_pieces(db(), visitor(), request.args), "portal/resets/pieces.html", "my-pieces", dealers=dealers_here())


# --- one piece -------------------------------------------------------------------------------------------------------------


def _own(piece_id: int) -> PieceRow:
    found = own_piece(db(), visitor(), piece_id)
    if found is None:
        abort(404)
    return found


def _palette(form: PieceForm) -> list[str]:
    """The colours used before that the form does not show as its own, and those that are ticked."""
    ids = [dealer.id for dealer in dealers_here()]
    rows = db().scalars(select(PieceRow).where(PieceRow.dealer_id.in_(ids), PieceRow.gone_on.is_(None))).all()
    shown = {one.colour.data for one in form.colour_fields if one.has.data}
    ticked = [colour for colour in form.used.data or [] if colour not in shown]
    return list(dict.fromkeys([*ticked, *(colour for colour in own_colours(rows)[:12] if colour not in shown)]))


def _piece_page(form: PieceForm, row: PieceRow | None = None) -> str:
    form.among(dealers_here())
    sales = bound_by_sales(db(), [row]).get(row.id, "") if row else ""
    return render_template(
        "portal/resets/piece.html",
        form=form,
        row=row,
        shown=PieceShown(row, "", sales) if row else None,
        sets=service.sets_with(db(), row.id) if row else [],
        palette=_palette(form),
        own_colours=OWN_COLOURS,
    )


@resets.get("/pieces/new")
@allow("dealer")
def new_piece() -> Page:
    return _piece_page(PieceForm(formdata=None, data={"feet": 4, "place": "home"}))


@resets.post("/pieces/new")
@allow("dealer")
def add_piece() -> Page:
    form = PieceForm()
    form.among(dealers_here())
    piece = form.read()
    dealer = form.chosen()
    if piece is not None and dealer is not None:
        try:
            row = service.add_piece(db(), now(), dealer, piece, user_id=visitor().user_id)
        except PieceRefused as refused:
            roll_back()
            form.tell(refused.faults)
        else:
            flash(f"{row.name} is written down.")
            return redirect(url_for("resets.pieces"), 303)
    return _piece_page(form), 422


@resets.get("/pieces/<int:piece_id>")
@allow("dealer")
def piece(piece_id: int) -> Page:
    row = _own(piece_id)
    return _piece_page(PieceForm.of(row), row)


@resets.post("/pieces/<int:piece_id>")
@allow("dealer")
def change_piece(piece_id: int) -> Page:
    row = _own(piece_id)
    form = PieceForm()
    wanted = form.read()
    if wanted is not None:
        version = whole_number(request.form.get("version"))
        try:
            changed = service.change_piece(
                db(), now(), row, wanted, version=-1 if version is None else version, user_id=visitor().user_id
            )
        except PieceRefused as refused:
            roll_back()
            form.tell(refused.faults)
        except Refusal as refusal:
            roll_back()
            flash(str(refusal))
            row = _own(piece_id)
            return _piece_page(PieceForm.of(row), row), 422
        else:
            flash(f"Of {row.name} is changed: {joined(changed)}." if changed else f"Nothing of {row.name} was changed.")
            return redirect(url_for("resets.pieces"), 303)
    return _piece_page(form, _own(piece_id)), 422


@resets.post("/pieces/<int:piece_id>/copy")
@allow("dealer")
def copy_own_piece(piece_id: int) -> Page:
    made = copy_piece(db(), now(), _own(piece_id), user_id=visitor().user_id)
    flash(f"{made.name} is made: one more like it, at home and untagged. Give it a name of its own.")
    return redirect(url_for("resets.piece", piece_id=made.id), 303)


@resets.post("/pieces/<int:piece_id>/let-go")
@allow("dealer")
def let_piece_go(piece_id: int) -> Page:
    row = _own(piece_id)
    sets = let_go_piece(db(), now(), row, today=today_here(), user_id=visitor().user_id)
    also = f" It is still in {joined(sets)}: take it out there, or put another in its place." if sets else ""
    flash(f"{row.name} is let go.{also} Its page takes it back.")
    return redirect(url_for("resets.piece", piece_id=piece_id), 303)


@resets.post("/pieces/<int:piece_id>/take-back")
@allow("dealer")
def take_piece_back(piece_id: int) -> Page:
    row = _own(piece_id)
    try:
        take_back_piece(db(), now(), row, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        row = _own(piece_id)
        return _piece_page(PieceForm.of(row), row), 422
    flash(f"{row.name} is yours again.")
    return redirect(url_for("resets.piece", piece_id=piece_id), 303)


# --- files -----------------------------------------------------------------------------------------------------------------


@resets.get("/pieces/file")
@allow("dealer")
def piece_file() -> Page:
    return _file_page(PieceFileForm(formdata=None))


def _file_page(form: PieceFileForm, faults: tuple[RowFault, ...] = ()) -> str:
    form.among(dealers_here())
    return render_template("portal/resets/piece_file.html", form=form, faults=faults, columns=COLUMNS, most_rows=MOST_ROWS)


@resets.post("/pieces/file")
@allow("dealer")
@takes(_TAKES)
def bring_piece_file() -> Page:
    form = PieceFileForm()
    form.among(dealers_here())
    faults: tuple[RowFault, ...] = ()
    dealer = form.chosen() if form.validate() else None
    if dealer is not None:
        try:
            brought = bring_pieces(db(), now(), dealer, form.file.data.read(), user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.file.errors = [str(refusal)]
            faults = refusal.faults if isinstance(refusal, PiecesRefused) else ()
        else:
            flash(f"The file is taken: {brought.added} written down, {brought.changed} changed, {brought.same} as they were.")
            return redirect(url_for("resets.pieces"), 303)
    return _file_page(form, faults), 422
