"""The portal: what was sold for a dealer, line by line, and month by month."""

from __future__ import annotations

from flask import request

from coop.core.web import Page, allow, db, now, show_list, visitor
from coop.portal import queries, sales_queries
from coop.portal.month_queries import calendar
from coop.portal.views import portal


@portal.get("/sales")
@allow("dealer")
def sales() -> Page:
    who = visitor()
    malls, today = sales_queries.own_malls(db(), who), calendar(db(), now()).today
    listed, sums = sales_queries.own_sales(db(), who, request.args, malls)
    return show_list(
        listed,
        "portal/sales.html",
        "my-sales",
        sums=sums,
        malls=malls,
        dealers=queries.own_dealers(db(), who),
        chart_of=sales_queries.sold_chart(db(), who, today) if today else None,
    )
