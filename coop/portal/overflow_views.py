"""The portal: floor lent in the aisles. A dealer's own pieces there, what is said of them, and how floor was shared out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.overflow import fair, fair_words
from coop.overflow.domain.fitting import CAUTION
from coop.overflow.queries import WAITING, is_waiting, own_requests, stay_of
from coop.overflow.reading import Standing
from coop.overflow.staying import cancel_stay, end_stay, gone_on, said_moved_in, stand_again, take_back_end
from coop.portal import overflow_queries as queries
from coop.portal.queries import own_dealers
from coop.shifts.answering import own_malls

lent = Blueprint("lent", __name__, url_prefix="/portal/overflow")


@lent.context_processor
def _caution() -> dict[str, object]:
    return {"caution": CAUTION}


def by_dealer() -> By:
    return By(visitor().user_id, request_id())


def dealers_here() -> Sequence[Dealer]:
    """The dealers whose pages these are. Refuses a sign-in that is no dealer's."""
    found = own_dealers(db(), visitor())
    if not found:
        raise Refusal("Your sign-in belongs to no dealer yet. Ask the manager to name the one you are.")
    return found


def malls_here() -> list[Mall]:
    """The malls at which floor may be asked for: where these dealers have a lease."""
    return own_malls(db(), now(), visitor().member_id or 0)


# --- the page ---------------------------------------------------------------------------------------------------------------


@lent.get("/")
@allow("dealer")
def first() -> Page:
    return _first_page()


def _first_page() -> str:
    dealers = dealers_here()
    leased = malls_here()
    rows = own_requests(db(), [dealer.id for dealer in dealers])
    waiting = [row for row in rows if row.request.state in WAITING]
    # Whose lease ended may have something standing there still.
    stood = queries.malls_of_stays(db(), now(), [dealer.id for dealer in dealers])
    malls = list(dict.fromkeys([*leased, *stood, *(row.mall for row in waiting)]))
    floors = [queries.floor_at(db(), now(), mall, dealers, visitor().user_id) for mall in malls]
    return render_template(
        "portal/overflow/first.html",
        dealers=dealers,
        leased=leased,
        floors=floors,
        floor_of={floor.mall.id: floor for floor in floors},
        waiting=waiting,
        answered=[row for row in rows if row not in waiting],
        user_id=visitor().user_id,
        words=queries,
    )


@lent.get("/fairness")
@allow("dealer")
def fairness() -> Page:
    """How floor is shared out at each of the dealer's malls."""
    return render_template(
        "portal/overflow/fairness.html",
        shown=[(mall, fair.fairness(db(), now(), mall)) for mall in malls_here()],
        own={dealer.id for dealer in dealers_here()},
        words=fair_words,
    )


# --- what is said of a piece ------------------------------------------------------------------------------------------------


def _own_stay(stay_id: int) -> Standing:
    found = stay_of(db(), stay_id)
    if found is None or found.dealer.id not in {dealer.id for dealer in dealers_here()}:
        abort(404)
    return found


def _do(stay_id: int, deed: Callable[[Standing], str]) -> Page:
    """Do one thing to a stay, and say so; what refuses it stands on the page, as it is now."""
    one = _own_stay(stay_id)
    try:
        sentence = deed(one)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _first_page(), 422
    flash(sentence)
    return redirect(url_for("lent.first"), 303)


@lent.post("/stays/<int:stay_id>/there")
@allow("dealer")
def there(stay_id: int) -> Page:
    def deed(one: Standing) -> str:
        said_moved_in(db(), now(), one.stay, on=today_at(db(), now(), one.bay.mall_id), by=by_dealer())
        return f"{one.piece.name} stands in bay {one.bay.code}: the manager sees it."

    return _do(stay_id, deed)


@lent.post("/stays/<int:stay_id>/not-there")
@allow("dealer")
def not_there(stay_id: int) -> Page:
    def deed(one: Standing) -> str:
        said_moved_in(db(), now(), one.stay, on=None, by=by_dealer())
        return f"{one.piece.name} is not there yet, as you say now."

    return _do(stay_id, deed)


@lent.post("/stays/<int:stay_id>/gone")
@allow("dealer")
def gone(stay_id: int) -> Page:
    """Taken away, or sold and fetched: today is its last day, or the day it was to go by unless it was late."""

    def deed(one: Standing) -> str:
        today = today_at(db(), now(), one.bay.mall_id)
        gone = end_stay(db(), now(), one.stay, on=gone_on(db(), one.stay, today), by=by_dealer())
        how = "sold and gone" if request.form.get("sold") else "gone"
        return f"{one.piece.name} is {how}, with {shown_day(gone.ends_on)} as its last day: others may have its floor."

    return _do(stay_id, deed)


@lent.post("/stays/<int:stay_id>/not-gone")
@allow("dealer")
def not_gone(stay_id: int) -> Page:
    def deed(one: Standing) -> str:
        had = take_back_end(db(), now(), one.stay, by=by_dealer())
        return queries.not_gone_words(one, had, today_at(db(), now(), one.bay.mall_id))

    return _do(stay_id, deed)


@lent.post("/stays/<int:stay_id>/give-back")
@allow("dealer")
def give_back(stay_id: int) -> Page:
    def deed(one: Standing) -> str:
        cancel_stay(db(), now(), one.stay, by=by_dealer())
        waits = ", and the piece waits again: withdraw its request if you want no other floor"
        return f"The floor of {one.piece.name} is given back{waits if is_waiting(db(), one.piece) else ''}."

    return _do(stay_id, deed)


@lent.post("/stays/<int:stay_id>/stand-again")
@allow("dealer")
def have_again(stay_id: int) -> Page:
    def deed(one: Standing) -> str:
        stand_again(db(), now(), one.stay, by=by_dealer())
        return f"{one.piece.name} has its floor in bay {one.bay.code} again."

    return _do(stay_id, deed)
