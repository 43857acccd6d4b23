"""The portal: a dealer's own booth, sales and statements."""

from __future__ import annotations

from flask import Blueprint, Response, abort, render_template

from coop.core.web import Page, allow, db, now, send_document, visitor
from coop.portal import lease_queries, queries
from coop.statements.documents import said
from coop.statements.domain import from_json
from coop.statements.exporting import lines_name, lines_of

portal = Blueprint("portal", __name__, url_prefix="/portal")


@portal.get("/")
@allow("dealer")
def home() -> Page:
    who = visitor()
    return render_template(
        "portal/home.html",
        dealers=queries.own_dealers(db(), who),
        offers=lease_queries.own_offers(db(), who),
        unsigned=lease_queries.own_unsigned(db(), who),
        spaces=queries.own_spaces(db(), who, now()),
        sales=queries.own_sales_this_month(db(), who, now()),
        latest=queries.own_latest_statements(db(), who),
    )


@portal.get("/statements")
@allow("dealer")
def statements() -> Page:
    return render_template("portal/statements.html", rows=queries.own_statements(db(), visitor()))


@portal.get("/statements/<number>")
@allow("dealer")
def statement(number: str) -> Page:
    found = queries.own_statement(db(), visitor(), number)
    if found is None:
        abort(404)
    value = from_json(found.value_json)
    return render_template("portal/statement.html", value=value, said=said(value), has_document=found.document_id is not None)


@portal.get("/statements/<number>.pdf")
@allow("dealer")
def statement_pdf(number: str) -> Page:
    return send_document(queries.own_document(db(), visitor(), number))


@portal.get("/statements/<number>.csv")
@allow("dealer")
def statement_csv(number: str) -> Page:
    """The lines of one of the dealer's own statements."""
    found = queries.own_statement(db(), visitor(), number)
    if found is None:
        abort(404)
    response = Response(lines_of(from_json(found.value_json)), content_type="text/csv; charset=utf-8")
    response.headers.set("Content-Disposition", "attachment", filename=lines_name(number))
    return response
