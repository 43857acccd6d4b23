"""A page of one mall: the mall its address names and what is that mall's, the day it is there, and who asks."""

from __future__ import annotations

from datetime import date
from typing import Any, Protocol, TypeVar

from flask import abort, redirect, render_template, url_for

from coop.core.clock import local_date
from coop.core.web import Page, db, now, request_id, visitor
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.office import queries as office_queries


class OfMall(Protocol):
    @property
    def mall_id(self) -> int | None: ...


Row = TypeVar("Row", bound=OfMall)


def first_mall(endpoint: str, without: str) -> Page:
    """To a page of the first mall; `without` is the template that says what is to be done while there is none."""
    malls = office_queries.malls(db())
    return redirect(url_for(endpoint, mall_code=malls[0].code), 303) if malls else render_template(without)


def wanted_mall(code: str) -> Mall:
    """The mall an address names."""
    mall = office_queries.mall_by_code(db(), code)
    if mall is None:
        abort(404)
    return mall


def row_of(mall: Mall, kind: type[Row], row_id: int) -> Row:
    """The row an address names, if it is of that mall."""
    row = db().get(kind, row_id)
    if row is None or row.mall_id != mall.id:
        abort(404)
    return row


def page_of(mall: Mall) -> dict[str, Any]:
    """What most pages of a mall are given."""
    return {"mall": mall, "malls": office_queries.malls(db()), "today": today_of(mall)}


def today_of(mall: Mall) -> date:
    return local_date(now(), mall.timezone)


def by() -> By:
    return By(visitor().user_id, request_id())
