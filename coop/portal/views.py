"""The portal: a dealer's own booth and sales."""

from __future__ import annotations

from flask import Blueprint, render_template

from coop.core.web import Page, allow, db, now, visitor
from coop.payouts.came_back import came_back
from coop.portal import lease_queries, month_queries, news_queries, queries, turn_queries

portal = Blueprint("portal", __name__, url_prefix="/portal")


@portal.get("/")
@allow("dealer")
def home() -> Page:
    who, days = visitor(), month_queries.calendar(db(), now())
    dealers = queries.own_dealers(db(), who)
    month = month_queries.own_month(db(), who, days)
    return render_template(
        "portal/home.html",
        dealers=dealers,
        offers=lease_queries.own_offers(db(), who),
        unsigned=lease_queries.own_unsigned(db(), who),
        spaces=queries.own_spaces(db(), who, now()),
        left=lease_queries.own_has_left(db(), who),
        month=month,
        rents=month_queries.own_rents(db(), who, days, month.lines) if month else [],
        news=news_queries.own_news(db(), who, now(), days.timezone) if month else [],
        back=came_back(db(), [dealer.id for dealer in dealers]),
        latest=queries.own_latest_statements(db(), who),
        turn=turn_queries.next_turn(db(), now(), who.member_id) if who.member_id else None,
        offered_to_all=turn_queries.count_open_to_all(db(), now(), who.member_id) if who.member_id else 0,
        turn_offers=turn_queries.waiting_offers(db(), now(), who.member_id) if who.member_id else [],
    )
