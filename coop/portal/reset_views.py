"""The portal: resets of a dealer's booths. The first page; the others stand in files named reset_*_views."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from flask import Blueprint, abort, render_template

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, visitor
from coop.dealers.models import Dealer
from coop.portal import reset_queries as queries
from coop.portal.month_queries import calendar
from coop.portal.queries import own_dealers
from coop.resets.domain.caution import CAUTION
from coop.resets.domain.weight import format_weight
from coop.resets.holding import HeldBooth, until_words

resets = Blueprint("resets", __name__, url_prefix="/portal/resets")
resets.add_app_template_filter(format_weight, "weight")
resets.add_app_template_filter(until_words, "until")


@resets.context_processor
def _caution() -> dict[str, object]:
    return {"caution": CAUTION}


def dealers_here() -> Sequence[Dealer]:
    """The dealers whose pages these are. Refuses a sign-in that is no dealer's."""
    found = own_dealers(db(), visitor())
    if not found:
        raise Refusal("Your sign-in belongs to no dealer yet. Ask the manager to name the one you are.")
    return found


def today_here() -> date:
    """The latest day it is at any of the malls."""
    return calendar(db(), now()).today or now().date()


def booth_here(mall_code: str, space_code: str) -> HeldBooth:
    """A booth of this user's by its address; 404 where it is not theirs."""
    booths = queries.own_booths(db(), visitor(), now())
    found = next((one for one in booths if (one.mall.code, one.space.code) == (mall_code, space_code)), None)
    if found is None:
        abort(404)
    return found


@resets.get("/")
@allow("dealer")
def first() -> Page:
    return render_template(
        "portal/resets/first.html",
        rows=queries.booth_rows(db(), queries.own_booths(db(), visitor(), now())),
        pieces=queries.count_pieces(db(), visitor()),
    )
