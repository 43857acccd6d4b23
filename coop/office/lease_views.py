"""Leases in the office: what needs a decision, all of them as a table, and one with its whole life."""

from __future__ import annotations

from datetime import date
from typing import Any

from flask import Blueprint, abort, redirect, render_template, request, url_for

from coop.core.csv_text import csv_text, defused
from coop.core.money import format_cents
from coop.core.web import Page, allow, db, download, now, request_id, send_document, visitor
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.leases.documents import CAUTION
from coop.leases.documents import KINDS as LETTERS
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.leases.models import Lease, Letter
from coop.leases.wording import KINDS, ORDERS, PRORATION, STATES, UNITS
from coop.office import lease_life, lease_work
from coop.office import lease_queries as queries
from coop.office import queries as office_queries
from coop.office.floor_views import wanted_mall
from coop.office.lease_forms import TickForm
from coop.office.views import READERS

leases = Blueprint("leases", __name__, url_prefix="/office/leases")

__all__ = ["wanted_mall"]


@leases.context_processor
def _shared() -> dict[str, object]:
    """Words that every page of leases may need."""
    return {
        "caution": CAUTION,
        "states": STATES,
        "units": UNITS,
        "prorations": PRORATION,
        "orders": ORDERS,
        "term_kinds": KINDS,
        "letter_kinds": LETTERS,
    }


def by() -> By:
    return By(visitor().user_id, request_id())


def today_of(mall: Mall) -> date:
    return today_at(db(), now(), mall.id)


def page_of(mall: Mall) -> dict[str, Any]:
    """What every page of a mall's leases is given."""
    return {"mall": mall, "malls": office_queries.malls(db()), "today": today_of(mall)}


def wanted_lease(mall: Mall, lease_id: int) -> Lease:
    """The lease an address names, if it is of that mall."""
    lease = db().get(Lease, lease_id)
    if lease is None or lease.mall_id != mall.id:
        abort(404)
    return lease


# --- the work list and the table --------------------------------------------------------------------------------------------


@leases.get("/")
@allow(*READERS)
def first() -> Page:
    malls = office_queries.malls(db())
    if malls:
        return redirect(url_for("leases.work", mall_code=malls[0].code), 303)
    return render_template("office/leases/none.html")


@leases.get("/<mall_code>")
@allow(*READERS)
def work(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return render_template("office/leases/work.html", **page_of(mall), work=lease_work.work_of(db(), now(), mall))


def _filter() -> queries.Filter:
    sort, state = request.args.get("sort", "dealer"), request.args.get("state", "running")
    return queries.Filter(
        sort=sort if sort in queries.SORTS else "dealer",
        down=request.args.get("down") == "yes",
        state=state if state in ("", *STATES) else "running",
        zone=request.args.get("zone", "")[:20],
        find=request.args.get("find", "").strip()[:60],
    )


@leases.get("/<mall_code>/all")
@allow(*READERS)
def table(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    found = queries.lease_rows(db(), mall, today_of(mall))
    wanted = _filter()
    return render_template(
        "office/leases/table.html",
        **page_of(mall),
        rows=wanted.apply(found.rows),
        total=len(found.rows),
        fault=found.fault,
        filter=wanted,
        zones=sorted({zone for row in found.rows for zone in row.zones}),
    )


@leases.get("/<mall_code>/leases.csv")
@allow(*READERS)
def table_csv(mall_code: str) -> Page:
    """The table with its filter and its order, for other programs."""
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    rows = _filter().apply(queries.lease_rows(db(), mall, today).rows)
    return download(csv_text(_CSV_COLUMNS, map(_csv_row, rows)), "text/csv", f"leases-{mall.code}-{today}.csv")


_CSV_COLUMNS = "lease dealer name state spaces starts until signed rent deposit_held late".split()


def _csv_row(row: queries.LeaseRow) -> list[str]:
    days = (row.lease.starts_on, row.until, row.lease.signed_on)
    figures = (row.rent_cents, row.deposit_cents, row.late_cents)
    code, name, spaces = (defused(text) for text in (row.dealer_code, row.dealer_name, row.spaces))
    starts, until, signed = (day.isoformat() if day else "" for day in days)
    rent, deposit, late = (format_cents(figure, grouped=False) for figure in figures)
    return [str(row.lease.id), code, name, row.words, spaces, starts, until, signed, rent, deposit, late]


# --- one lease --------------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/<int:lease_id>")
@allow(*READERS)
def lease(mall_code: str, lease_id: int) -> Page:
    mall = wanted_mall(mall_code)
    found = wanted_lease(mall, lease_id)
    member = db().get(Member, visitor().member_id or 0)
    return lease_page(mall, found, TickForm(formdata=None, done_by=member.name if member else ""))


def lease_page(mall: Mall, lease: Lease, ticking: TickForm) -> str:
    """A lease, complete, with the form for its list of moving out as it was typed."""
    life = lease_life.life_of(db(), now(), mall, lease)
    ticking.among(life.items)
    return render_template("office/leases/lease.html", **page_of(mall), life=life, ticking=ticking)


# --- letters ----------------------------------------------------------------------------------------------------------------


@leases.get("/<mall_code>/letters")
@allow(*READERS)
def letters(mall_code: str) -> Page:
    """Every letter of leases that was made, with its paper and its mail."""
    mall = wanted_mall(mall_code)
    before = request.args.get("before", type=int)
    rows = lease_life.letter_rows(db(), mall.id, before=before)
    size = office_queries.PAGE
    return render_template(
        "office/leases/letters.html",
        **page_of(mall),
        rows=rows[:size],
        older=rows[size - 1].letter.id if len(rows) > size else None,
        paged=before is not None,
    )


@leases.get("/<mall_code>/letters/<int:letter_id>.pdf")
@allow(*READERS)
def letter_pdf(mall_code: str, letter_id: int) -> Page:
    mall = wanted_mall(mall_code)
    letter = db().get(Letter, letter_id)
    if letter is None or letter.mall_id != mall.id:
        abort(404)
    return send_document(office_queries.document(db(), letter.document_id))
