"""The portal: sets of a booth. One is laid out as rows of figures before any script, on a plan to scale with it."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

from flask import abort, flash, jsonify, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.core.words import joined
from coop.leases.pricing import named
from coop.portal import reset_set_queries as queries
from coop.portal.reset_queries import own_booths
from coop.portal.reset_set_forms import LAST_YEARS, NewSetForm, SetForm, TermsForm, read_set, set_form
from coop.portal.reset_set_queries import TERM_WORDS, SetDesk, editor_finding, editor_piece, piece_size_said, set_desk
from coop.portal.reset_views import booth_here, resets
from coop.resets import sets
from coop.resets.comparing import compare_sets
from coop.resets.holding import HeldBooth
from coop.resets.models import BoothSet
from coop.resets.putting import PutRefused, put_in, save_arrangement
from coop.resets.set_json import SentSet, kept_value, puts_value, read_kept, read_sent
from coop.resets.sets import SetOutdated

resets.add_app_template_filter(named, "space_name")
resets.add_app_template_filter(piece_size_said, "piece_size_said")
resets.add_app_template_filter(editor_piece, "editor_piece")

STATES = {"draft": "draft", "stands": "stands now", "stood": "stood before"}


def set_here(set_id: int) -> BoothSet:
    """One of this user's sets; 404 where it is another's."""
    found = queries.own_set(db(), visitor(), set_id)
    if found is None:
        abort(404)
    return found


def _version() -> int:
    """The version a form was opened with."""
    version = whole_number(request.form.get("version"))
    return -1 if version is None else version


def _to_set(row: BoothSet, sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("resets.set_page", set_id=row.id), 303)


# --- the sets of a booth ----------------------------------------------------------------------------------------------------


@resets.get("/booths/<mall_code>/<space_code>/sets")
@allow("dealer")
def booth_sets(mall_code: str, space_code: str) -> Page:
    return _sets_page(booth_here(mall_code, space_code))


def _new_form(booth: HeldBooth, **given: object) -> NewSetForm:
    rows = queries.own_sets(db(), visitor())
    spaces = queries.booths_of_sets(db(), rows)
    words = [(row, _source_words(row, named(spaces[row.id]), row.space_id == booth.space.id)) for row in rows]
    return NewSetForm(sources=words, **given)


def _source_words(row: BoothSet, where: str, is_here: bool) -> str:
    said = f"{row.name}, from {shown_day(row.starts_on)}"
    return said if is_here else f"{said}, {where}"


def _sets_page(booth: HeldBooth, form: NewSetForm | None = None, dropped: str = "", kept: str = "") -> str:
    rows = queries.own_sets(db(), visitor(), space_id=booth.space.id)
    # The first set of a booth is what stands in it today.
    first = max(booth.starts_on, booth.today + timedelta(days=1 if rows else 0))
    begin = request.args.get("begin", "")
    return render_template(
        "portal/resets/sets.html",
        booth=booth,
        rows=rows,
        counts=queries.piece_counts(db(), [row.id for row in rows]),
        states=STATES,
        measure=sets.newest_measure(db(), booth.space.id),
        form=form or _new_form(booth, formdata=None, data={"starts_on": first, "source": begin}),
        dropped=dropped,
        kept=kept,
    )


@resets.post("/booths/<mall_code>/<space_code>/sets")
@allow("dealer")
def make_set(mall_code: str, space_code: str) -> Page:
    booth = booth_here(mall_code, space_code)
    form = _new_form(booth)
    if form.validate():
        try:
            made, left_out = _make(booth, form)
        except Refusal as refusal:
            roll_back()
            form.name.errors = [str(refusal)]
            booth = booth_here(mall_code, space_code)
        else:
            without = f" Without {joined(left_out)}." if left_out else ""
            return _to_set(made, f"{made.name} is made.{without}")
    return _sets_page(booth, form), 422


def _make(booth: HeldBooth, form: NewSetForm) -> tuple[BoothSet, tuple[str, ...]]:
    user_id, source = visitor().user_id, form.source.data
    if not source:
        return sets.make_set(db(), now(), booth.dealer.id, booth.space, form.terms, user_id=user_id), ()
    if source == LAST_YEARS:
        found = sets.last_years(db(), booth.dealer.id, booth.space.id, form.terms.starts_on)
        if found is None:
            raise Refusal(
                f"No set stood in {booth.name} a year before {shown_day(form.terms.starts_on)}: begin with another one, "
                "or with an empty booth."
            )
    else:
        found = set_here(int(source))
    copied = sets.copy_set(db(), now(), found, form.terms, space=booth.space, user_id=user_id)
    return copied.made, copied.left_out


@resets.post("/booths/<mall_code>/<space_code>/sets/back")
@allow("dealer")
def bring_back(mall_code: str, space_code: str) -> Page:
    """The undo of dropping: its page kept the set, and it is checked as anything that is sent."""
    booth = booth_here(mall_code, space_code)
    try:
        kept = read_kept(request.form.get("kept", ""))
    except ValueError as error:
        raise Refusal(f"The set cannot be brought back from this page. {error}") from None
    made = sets.bring_back(db(), now(), booth.dealer.id, booth.space, kept, user_id=visitor().user_id)
    return _to_set(made, f"{made.name} is back.")


# --- one set ----------------------------------------------------------------------------------------------------------------


@resets.get("/sets/<int:set_id>")
@allow("dealer")
def set_page(set_id: int) -> Page:
    return _set_page(set_desk(db(), set_here(set_id)))


def _set_page(
    desk: SetDesk, form: SetForm | None = None, *, terms: TermsForm | None = None, conflict: str = "", refused: str = ""
) -> str:
    row = desk.row
    return render_template(
        "portal/resets/set.html",
        it=desk,
        row=row,
        form=form or set_form(desk.booth, desk.pieces, desk.puts, row.version),
        terms=terms or TermsForm(formdata=None, obj=row),
        states=STATES,
        conflict=conflict,
        refused=refused,
        others=[one for one in queries.own_sets(db(), visitor(), space_id=row.space_id) if one.id != row.id],
        booth_value=_booth_value(desk),
        puts_value=puts_value(desk.puts),
        copied_from=_called(row.copied_from_id),
        term_words=TERM_WORDS,
    )


def _called(set_id: int | None) -> str:
    found = None if set_id is None else db().get(BoothSet, set_id)
    return found.name if found else ""


def _booth_value(desk: SetDesk) -> dict[str, Any]:
    """What the editor knows of the booth; the rest it sees in its drawing."""
    booth = desk.booth
    return {
        "outline": booth.outline,
        "open": booth.sides_of("open"),
        "posts": booth.posts,
        "hung": [n for n in booth.sides_of("wall") if booth.sides[n].hooks],
    }


@resets.post("/sets/<int:set_id>")
@allow("dealer")
def save_rows(set_id: int) -> Page:
    """Save a set as it is typed in the rows; the button of a piece that is not in it puts it in as well."""
    row = set_here(set_id)
    desk = set_desk(db(), row)
    form = read_set(request.form, desk.booth, desk.pieces)
    wanted = whole_number(request.form.get("put"))
    over = whole_number(request.form.get("over"))
    # Asked for in so many words, after being told that somebody else has changed the set.
    version = form.version if over is None else over
    if form.puts is None:
        return _typed_page(row, form), 422
    try:
        puts = form.puts
        if wanted is not None and wanted in desk.rows:
            puts = put_in(desk.rows[wanted], desk.booth, puts, desk.pieces)
        said = save_arrangement(db(), now(), row, puts, version=version, user_id=visitor().user_id)
    except PutRefused as refused:
        roll_back()
        form.tell(refused.faults)
    except SetOutdated as outdated:
        roll_back()
        return _typed_page(set_here(set_id), form, conflict=str(outdated)), 409
    except Refusal as refusal:
        roll_back()
        form.others.append(str(refusal))
    else:
        return _to_set(row, _saved(row, said))
    return _typed_page(set_here(set_id), form), 422


def _saved(row: BoothSet, said: str) -> str:
    return f"{row.name} is saved: {said}." if said else f"{row.name} is saved: nothing of it had changed."


def _typed_page(row: BoothSet, form: SetForm, conflict: str = "") -> str:
    """The page with what was typed: the picture and the findings are of that as far as it can be read."""
    desk = set_desk(db(), row)
    if form.puts is not None:
        typed = set_desk(db(), row, form.puts)
        try:
            typed.arrangement  # noqa: B018  raises where no set can hold it
            desk = typed
        except PutRefused:
            pass
    return _set_page(desk, form, conflict=conflict)


@resets.post("/sets/<int:set_id>/terms")
@allow("dealer")
def change_set(set_id: int) -> Page:
    row = set_here(set_id)
    form = TermsForm()
    if form.validate():
        try:
            sets.change_set(db(), now(), row, form.terms, version=_version(), user_id=visitor().user_id)
        except Refusal as refusal:
            roll_back()
            form.name.errors = [str(refusal)]
            row = set_here(set_id)
        else:
            return _to_set(row, f"{row.name} is changed.")
    return _set_page(set_desk(db(), row), terms=form), 422


@resets.post("/sets/<int:set_id>/stand")
@allow("dealer")
def let_stand(set_id: int) -> Page:
    row = set_here(set_id)
    anyway = "anyway" in request.form
    try:
        found = sets.let_stand(db(), now(), row, version=_version(), anyway=anyway, user_id=visitor().user_id)
    except Refusal as refusal:
        # Beside the plan and all that is found, where it can be mended or ticked.
        roll_back()
        return _set_page(set_desk(db(), set_here(set_id)), refused=str(refusal)), 422
    against = sum(one.stops for one in found)
    so = f", with {against} {'thing' if against == 1 else 'things'} found against it" if against else ""
    return _to_set(row, f"{row.name} stands now{so}. Its pieces are in the booth.")


@resets.post("/sets/<int:set_id>/over")
@allow("dealer")
def lay_over(set_id: int) -> Page:
    row = set_here(set_id)
    sets.lay_over(db(), now(), row, version=_version(), user_id=visitor().user_id)
    return _to_set(row, f"{row.name} lies on the newer measuring. Look at what is found.")


@resets.post("/sets/<int:set_id>/drop")
@allow("dealer")
def drop_set(set_id: int) -> Page:
    """Drop a draft; the page that answers can bring it back."""
    row = set_here(set_id)
    held = own_booths(db(), visitor(), now(), space_id=row.space_id)
    booth = next((one for one in held if one.dealer.id == row.dealer_id), None)
    kept = sets.drop_set(db(), now(), row, version=_version(), user_id=visitor().user_id)
    if booth is None:
        # A booth left since: there is no page of its sets, nor could one be laid out there.
        flash(f"{kept.name} is dropped.")
        return redirect(url_for("resets.first"), 303)
    return _sets_page(booth, dropped=kept.name, kept=json.dumps(kept_value(kept)))


@resets.get("/sets/<int:set_id>/compare/<int:other_id>")
@allow("dealer")
def compare(set_id: int, other_id: int) -> Page:
    """What comes, goes and moves from one set to another."""
    before, after = set_here(set_id), set_here(other_id)
    was, will = set_desk(db(), before), set_desk(db(), after)
    found = compare_sets(will.booth, was.arrangement, will.arrangement)
    return render_template(
        "portal/resets/compare.html",
        was=was,
        will=will,
        found=found,
        # The same in both pictures and in the table.
        numbers={one.key: number for number, one in enumerate(found, 1)},
    )


# --- for the plan -----------------------------------------------------------------------------------------------------------


def _sent() -> SentSet:
    return read_sent(request.get_data(as_text=True))


def _faults(sentences: list[str], pieces: list[int] | None = None) -> tuple[Any, int]:
    return jsonify(faults=[{"sentence": said} for said in sentences], pieces=pieces or []), 422


@resets.post("/sets/<int:set_id>/check")
@allow("dealer")
def check_set(set_id: int) -> Any:
    """What is found of a set that somebody lays out, with its walls, as JSON. Nothing is saved."""
    row = set_here(set_id)
    try:
        desk = set_desk(db(), row, _sent().puts, quick=True)
        found = [editor_finding(one) for one in desk.findings]
    except ValueError as error:
        return _faults([str(error)])
    except PutRefused as refused:
        return _faults([sentence for _, sentence in refused.faults], [piece for piece, _ in refused.faults])
    return jsonify(findings=found, elevations=[{"name": name, "svg": svg} for name, svg in desk.elevations()])


@resets.post("/sets/<int:set_id>/save")
@allow("dealer")
def save_set(set_id: int) -> Any:
    """Save a set against its version: 200 with the new version; 409 with the set there is; 422 with what is wrong."""
    row = set_here(set_id)
    try:
        sent = _sent()
        said = save_arrangement(db(), now(), row, sent.puts, version=sent.version, user_id=visitor().user_id)
    except ValueError as error:
        return _faults([str(error)])
    except SetOutdated as outdated:
        roll_back()
        row = set_here(set_id)
        theirs = sets.puts_of(db(), row)
        return jsonify(sentence=str(outdated), version=row.version, pieces=puts_value(theirs)), 409
    except PutRefused as refused:
        roll_back()
        return _faults([sentence for _, sentence in refused.faults], [piece for piece, _ in refused.faults])
    except Refusal as refusal:
        roll_back()
        return _faults([str(refusal)])
    return jsonify(version=row.version, sentence=_saved(row, said))
