"""Leases in the office: what needs a decision, all of them as a table, and one with its whole life."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, redirect, render_template, request, url_for

from coop.core.web import Page, allow, db, now, send_document, show_list, visitor
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.leases.documents import CAUTION
from coop.leases.documents import KINDS as LETTERS
from coop.leases.models import Lease, Letter
from coop.leases.wording import KINDS, PRORATION, STATES, UNITS
from coop.office import lease_life, lease_work
from coop.office import lease_queries as queries
from coop.office import queries as office_queries
from coop.office.lease_forms import TickForm
from coop.office.lease_list import LEASES
from coop.office.lease_list import LETTERS as LETTER_LIST
from coop.office.mall_page import first_mall, page_of, row_of, today_of, wanted_mall
from coop.office.views import READERS

leases = Blueprint("leases", __name__, url_prefix="/office/leases")


@leases.context_processor
def _shared() -> dict[str, object]:
    """Words that every page of leases may need."""
    return {
        "caution": CAUTION,
        "states": STATES,
        "units": UNITS,
        "prorations": PRORATION,
        "term_kinds": KINDS,
        "letter_kinds": LETTERS,
    }


def wanted_lease(mall: Mall, lease_id: int) -> Lease:
    """The lease an address names, if it is of that mall."""
    return row_of(mall, Lease, lease_id)


# --- the work list and the table --------------------------------------------------------------------------------------------


@leases.get("/")
@allow(*READERS)
def first() -> Page:
    return first_mall("leases.work", "office/leases/none.html")


@leases.get("/<mall_code>")
@allow(*READERS)
def work(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return render_template("office/leases/work.html", **page_of(mall), work=lease_work.work_of(db(), now(), mall))


@leases.get("/<mall_code>/all")
@allow(*READERS)
def table(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    found = queries.lease_rows(db(), mall, today_of(mall))
    zones = sorted({zone for row in found.rows for zone in row.zones})
    listed = LEASES.with_choices("zone", [(zone, zone) for zone in zones]).pick(found.rows, request.args)
    shown = page_of(mall) | {"fault": found.fault, "there_are": bool(found.rows)}
    return show_list(listed, "office/leases/table.html", f"leases-{mall.code}-{today_of(mall)}", **shown)


@leases.get("/<mall_code>/leases.csv")
@allow(*READERS)
def table_csv(mall_code: str) -> Page:
    """An address of before: the table with its filter and its order, for other programs."""
    asked: dict[str, Any] = request.args.to_dict() | {"as": "csv"}
    return redirect(url_for("leases.table", mall_code=mall_code, **asked), 303)


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
    listed = LETTER_LIST.read(db(), lease_life.letters_query(mall.id), request.args, lease_life.letter_row)
    return show_list(listed, "office/leases/letters.html", f"letters-{mall.code}", **page_of(mall))


@leases.get("/<mall_code>/letters/<int:letter_id>.pdf")
@allow(*READERS)
def letter_pdf(mall_code: str, letter_id: int) -> Page:
    mall = wanted_mall(mall_code)
    letter = row_of(mall, Letter, letter_id)
    return send_document(office_queries.document(db(), letter.document_id))
