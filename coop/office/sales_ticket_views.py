"""Sales in the office by month, by dealer, by ticket and by item: what was sold, and where each cent of it stands."""

from __future__ import annotations

from datetime import date

from flask import abort, render_template, request

from coop.core.periods import Month
from coop.core.web import Page, allow, db, show_list
from coop.floor.models import Mall
from coop.office import queries as office_queries
from coop.office import sales_figures as figures
from coop.office import sales_tickets as tickets_read
from coop.office.mall_page import today_of, wanted_mall
from coop.office.sales_ticket import ticket_view
from coop.office.sales_views import sales
from coop.office.views import READERS
from coop.sales.domain import MAPPINGS
from coop.tax.queries import place_on

MOST_ON_OVERVIEW = 10
"""Dealers that the overview names; the list has them all."""


def _month(mall: Mall, month: Month | None, today: date) -> Month:
    """The month an address names, or the one that runs. One that is still to come is nowhere."""
    if month is not None and month > Month.of(today):
        abort(404)
    return month or Month.of(today)


@sales.get("/<mall_code>")
@sales.get("/<mall_code>/<month:month>")
@allow(*READERS)
def overview(mall_code: str, month: Month | None = None) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    shown = _month(mall, month, today)
    sold = figures.sold_month(db(), mall.id, shown, today)
    dealers = figures.by_dealer(db(), mall, shown)
    first = figures.first_sale(db(), mall.id)
    return render_template(
        "office/sales/overview.html",
        mall=mall,
        malls=office_queries.malls(db()),
        month=shown,
        sold=sold,
        whole=sold.whole,
        chart=figures.chart_of_days(sold),
        beside=figures.months_beside(db(), mall.id, sold, today),
        earlier=shown.previous if first is not None and first < shown.first_day else None,
        later=shown.next if shown < Month.of(today) else None,
        dealers=dealers,
        top=dealers.rows[:MOST_ON_OVERVIEW],
        claimed=dealers.claimed_cents(sold.whole),
        waits=figures.money_waiting(db(), mall, today),
        has_place=place_on(db(), mall.id, today) is not None,
        # How sales come in is told as long as there are none.
        mappings=sorted(MAPPINGS.values(), key=lambda one: one.name) if first is None else (),
    )


@sales.get("/<mall_code>/<month:month>/dealers")
@allow(*READERS)
def dealers_of_month(mall_code: str, month: Month) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    found = figures.by_dealer(db(), mall, _month(mall, month, today))
    sold = figures.sold_month(db(), mall.id, month, today)
    return show_list(
        figures.DEALERS.pick(found.rows, request.args),
        "office/sales/dealers.html",
        f"sales-{mall.code}-{month}-by-dealer",
        mall=mall,
        month=month,
        found=found,
        sold=sold,
        claimed=found.claimed_cents(sold.whole),
    )


@sales.get("/<mall_code>/tickets")
@allow(*READERS)
def tickets(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    listed = tickets_read.list_tickets(db(), mall.id, request.args, tickets_read.usual_days(Month.of(today), today))
    return show_list(listed, "office/sales/tickets.html", f"tickets-{mall.code}", mall=mall, malls=office_queries.malls(db()))


@sales.get("/<mall_code>/lines")
@allow(*READERS)
def lines(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    listed = tickets_read.list_lines(db(), mall.id, request.args, tickets_read.usual_days(Month.of(today), today))
    return show_list(listed, "office/sales/lines.html", f"items-sold-{mall.code}", mall=mall, malls=office_queries.malls(db()))


@sales.get("/<mall_code>/tickets/<int:ticket_id>")
@allow(*READERS)
def ticket(mall_code: str, ticket_id: int) -> Page:
    mall = wanted_mall(mall_code)
    view = ticket_view(db(), mall, ticket_id)
    if view is None:
        abort(404)
    return render_template("office/sales/ticket.html", mall=mall, view=view)
