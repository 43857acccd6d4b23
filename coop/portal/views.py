"""The portal: a dealer's own booth and sales."""

from __future__ import annotations

from flask import Blueprint, render_template

from coop.core.web import Page, allow, db, now, visitor
from coop.payouts.came_back import came_back
from coop.portal import lease_queries, queries

portal = Blueprint("portal", __name__, url_prefix="/portal")


@portal.get("/")
@allow("dealer")
def home() -> Page:
    who = visitor()
    dealers = queries.own_dealers(db(), who)
    return render_template(
        "portal/home.html",
        dealers=dealers,
        offers=lease_queries.own_offers(db(), who),
        unsigned=lease_queries.own_unsigned(db(), who),
        spaces=queries.own_spaces(db(), who, now()),
        sales=queries.own_sales_this_month(db(), who, now()),
        back=came_back(db(), [dealer.id for dealer in dealers]),
        latest=queries.own_latest_statements(db(), who),
    )
