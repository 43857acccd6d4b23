"""A turn of a month's rota in the office: who has it and why; given to somebody, exchanged, locked, and told what that breaks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from flask import abort, render_template, request

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.floor.models import Mall
from coop.office.mall_page import wanted_mall
from coop.office.rota_forms import NOBODY, MoveForm
from coop.office.rota_month import worth_saying
from coop.office.rota_turn import TurnPage, turn_page
from coop.office.rota_views import rota, to_month, wanted_rota, wanted_version
from coop.office.views import READERS
from coop.shifts import moving
from coop.shifts.judging import Broken
from coop.shifts.models import Rota, Turn
from coop.shifts.moving import Difference
from coop.shifts.queries import names_of, said


@dataclass(frozen=True)
class Tried:
    """What a move would do, in words; or why it cannot be done."""

    sentence: str = ""
    broken: Sequence[Broken] = ()
    mended: Sequence[Broken] = ()
    refusal: str = ""


LOCKS = {(True, True): "both", (True, False): "one", (False, True): "other", (False, False): None}
"""Which of two exchanged turns are locked, as an address and a form say it."""


def _wanted(mall_code: str, month: Month, turn_id: int) -> tuple[Mall, Rota, Turn]:
    mall = wanted_mall(mall_code)
    found = wanted_rota(mall, month)
    turn = db().get(Turn, turn_id)
    if turn is None or turn.rota_id != found.id:
        abort(404)
    return mall, found, turn


def _member_id(text: str) -> int | None:
    """The member a form or an address names; None is nobody. 404 for what is no number."""
    if text == NOBODY:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        abort(404)
    return int(text)


def _had() -> int | Literal["anybody"] | None:
    """Who had the turn on the page that was sent."""
    text = request.form.get("had", "")
    return _member_id(text) if text else "anybody"


def _name(member_id: int | None) -> str:
    return names_of(db(), [member_id]).get(member_id or 0, "nobody")


# --- looked at ------------------------------------------------------------------------------------------------------------


@rota.get("/<mall_code>/<month:month>/turns/<int:turn_id>")
@allow(*READERS)
def turn(mall_code: str, month: Month, turn_id: int) -> Page:
    """A turn with what happened to it; for the manager, the form to give it to somebody, and what that would break."""
    mall, found, wanted = _wanted(mall_code, month, turn_id)
    page = turn_page(db(), mall, found, wanted)
    asked = request.args.get("member", "")
    shown = asked or (str(wanted.member_id) if wanted.member_id else "")
    form = MoveForm(formdata=None, member=shown, lock=True)
    return _turn_page(mall, month, found, page, form, _tried_move(wanted, _member_id(asked)) if asked else None)


def _turn_page(mall: Mall, month: Month, found: Rota, page: TurnPage, form: MoveForm, tried: Tried | None = None) -> str:
    form.among(page.choices)
    return render_template(
        "office/rota/turn.html",
        mall=mall,
        month=month,
        rota=found,
        cell=page.cell,
        history=page.history,
        drafting=page.drafting,
        may_move="manager" in visitor().roles and not page.drafting and page.cell.turn.state == "standing",
        form=form,
        tried=tried,
    )


@rota.get("/<mall_code>/<month:month>/turns/<int:turn_id>/would")
@allow("manager")
def would(mall_code: str, month: Month, turn_id: int) -> Page:
    """What giving a turn to `member`, or exchanging it `with` another, would break and mend: for the page, as it is chosen."""
    _mall, _found, wanted = _wanted(mall_code, month, turn_id)
    other_id = request.args.get("with", "")
    if other_id:
        _mall, _found, other = _wanted(mall_code, month, _member_id(other_id) or 0)
        tried = _tried_exchange(wanted, other)
    else:
        tried = _tried_move(wanted, _member_id(request.args.get("member", "")))
    return render_template("office/rota/would.html", tried=tried)


def _tried_move(wanted: Turn, member_id: int | None) -> Tried:
    if member_id == wanted.member_id:
        return Tried(f"{said(db(), wanted)}: {_name(member_id)} has it now.")
    return _tried(
        f"{said(db(), wanted)}: {_name(member_id)} instead of {_name(wanted.member_id)}.",
        lambda: moving.difference(db(), wanted, member_id),
    )


def _tried_exchange(one: Turn, other: Turn) -> Tried:
    return _tried(
        f"{said(db(), one)}: {_name(other.member_id)}. {said(db(), other)}: {_name(one.member_id)}.",
        lambda: moving.exchange_difference(db(), one, other),
    )


def _tried(sentence: str, ask: Callable[[], Difference]) -> Tried:
    try:
        found = ask()
    except Refusal as refusal:
        return Tried(refusal=str(refusal))
    return Tried(sentence, worth_saying(found.broken), worth_saying(found.mended))


# --- moved ----------------------------------------------------------------------------------------------------------------


@rota.post("/<mall_code>/<month:month>/turns/<int:turn_id>/move")
@allow("manager")
def move(mall_code: str, month: Month, turn_id: int) -> Page:
    mall, found, wanted = _wanted(mall_code, month, turn_id)
    had, was_locked = wanted.member_id, wanted.locked
    page = turn_page(db(), mall, found, wanted)
    form = MoveForm()
    form.among(page.choices)
    if not form.validate():
        return _turn_page(mall, month, found, page, form), 422
    try:
        moving.move_turn(
            db(),
            now(),
            wanted,
            form.member_id,
            version=wanted_version(),
            user_id=visitor().user_id,
            consent=form.consent.data,
            lock=form.lock.data,
            had=_had(),
        )
    except Refusal as refusal:
        roll_back()
        mall, found, wanted = _wanted(mall_code, month, turn_id)
        form.member.errors = [str(refusal)]
        return _turn_page(mall, month, found, turn_page(db(), mall, found, wanted), form), 422
    return _moved(mall, month, wanted, had=had or 0, locked="yes" if was_locked else None)


@rota.post("/<mall_code>/<month:month>/turns/<int:turn_id>/exchange")
@allow("manager")
def exchange(mall_code: str, month: Month, turn_id: int) -> Page:
    """Let who has this turn have another, and the other way round. Of a published rota each is moved by itself, with consent."""
    mall, _found, wanted = _wanted(mall_code, month, turn_id)
    if not request.form.get("other"):
        raise Refusal(f"{said(db(), wanted)}: choose the turn that it is exchanged with.")
    _mall, _found, other = _wanted(mall_code, month, _member_id(request.form["other"]) or 0)
    locked = wanted.locked, other.locked
    locks = next((key for key, word in LOCKS.items() if word == request.form.get("locks")), (False, False))
    moving.exchange_turns(db(), now(), wanted, other, version=wanted_version(), user_id=visitor().user_id, locks=locks)
    return _moved(mall, month, wanted, locked=LOCKS[locked], **{"with": other.id})


@rota.post("/<mall_code>/<month:month>/turns/<int:turn_id>/lock")
@allow("manager")
def lock(mall_code: str, month: Month, turn_id: int) -> Page:
    mall, _found, wanted = _wanted(mall_code, month, turn_id)
    locked = request.form.get("locked") == "yes"
    moving.lock_turn(db(), now(), wanted, locked, version=wanted_version(), user_id=visitor().user_id)
    return to_month(mall, month, f"turn-{wanted.id}")


def _moved(mall: Mall, month: Month, wanted: Turn, **what: object) -> Page:
    return to_month(mall, month, "rota-last", moved=wanted.id, **what)
