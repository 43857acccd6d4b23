"""Rows a database may hold at each revision: what an upgrade and a downgrade must carry over.

A later revision adds its own loader here.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection

from tests.integration.migrations.data import AT, insert, load_facts, load_feeds, load_first, load_tax


def load_floor(connection: Connection) -> None:
    """Revision 0006: the same co-op with its plan, house rules, a lease of shared space, and what leases leave behind."""
    load_facts(connection)
    corners = "[[0, 0], [7680, 0], [7680, 5760], [0, 5760]]"
    plan = {"mall_id": 1, "outline_in16": corners, "required_clear_in16": 576, "tolerance_percent": 2_000_000, "version": 3}
    insert(connection, "floor_plan", {**plan, "changed_at": AT})
    insert(connection, "plan_part", {"mall_id": 1, "code": "E1", "kind": "exit", "outline_in16": corners, "height_in16": None})
    insert(
        connection,
        "aisle_width",
        {"mall_id": 1, "aisle": "", "starts_on": "2026-01-01", "required_clear_in16": 704, "said_by": "fire marshal"},
    )
    measured = {"space_id": 1, "measured_on": "2026-01-02", "measured_by": "Fenwick", "area_sqft100": 120_00}
    insert(connection, "space_measure", {**measured, "length_in16": None, "note": "", "created_at": AT})
    insert(connection, "price_index", {"series": "Elm", "first_day": "2026-01-01", "value": 320_125_000})
    insert(
        connection,
        "lease_rule",
        {
            "mall_id": 1,
            "starts_on": "2026-01-01",
            "rent_posts": "advance",
            "proration": "actual",
            "notice_days": 30,
            "notice_to_month_end": True,
            "increase_days": 30,
            "renewal_days": 60,
            "offer_days": 7,
            "deposit_months": 1_000_000,
            "late_after_day": 10,
            "late_how": "greater",
            "late_flat_cents": 25_00,
            "late_percent": 5_000_000,
            "waiting_order": '["first_come"]',
            "checklist": '["Swept"]',
            "clauses": "",
        },
    )
    term = {"lease_id": 1, "kind": "discount", "starts_on": "2026-01-01", "ends_on": None}
    term["terms"] = '{"reason": "member", "name": "for members", "percent": "0"}'
    insert(connection, "lease_term", term)
    insert(connection, "lease_share", {"lease_space_id": 1, "lease_id": 1, "share_percent": 100_000_000})
    insert(connection, "move_out_item", {"lease_id": 1, "what": "Keys", "done_on": None, "done_by": "", "note": ""})
    insert(
        connection,
        "deposit_line",
        {"lease_id": 1, "kind": "taken", "amount_cents": 27_00, "on_day": "2026-09-01", "reason": "", "entry_id": 1},
    )
    asks = {"mall_id": 1, "member_id": None, "name": "Moss", "email": "", "phone": "", "address": "", "asked_on": "2026-05-05"}
    wants = {"kind": "booth", "zone": "", "least_sqft100": 80_00, "most_sqft100": None, "note": "", "state": "offered"}
    insert(connection, "waiting", {"id": 1, **asks, **wants})
    days = {"made_on": "2026-09-01", "answer_by": "2026-09-08", "starts_on": "2026-10-01"}
    insert(
        connection, "offer", {"id": 1, "waiting_id": 1, "space_id": 1, **days, "why": "First", "state": "open", "lease_id": None}
    )
    insert(
        connection,
        "letter",
        {
            "key": "offer/1",
            "mall_id": 1,
            "kind": "offer",
            "lease_id": None,
            "offer_id": 1,
            "made_on": "2026-09-01",
            "subject": "A booth",
            "value": "{}",
            "document_id": None,
            "outbox_id": None,
        },
    )
    insert(connection, "dispute", {"charge_id": 1, "opened_on": "2026-09-09", "reason": "Roof", "closed_on": None, "outcome": ""})


def load_layaways(connection: Connection) -> None:
    """Revision 0007: the same co-op, with the layaway whose ticket is in the books, its item and its money."""
    load_floor(connection)
    terms = {"mall_id": 1, "number": 1, "key": "k", "buyer_name": "Orla Quint", "buyer_contact": "", "due_on": "2026-11-18"}
    cents = {"net_cents": 28_00, "tax_cents": 0, "deposit_cents": 8_00, "fee_percent": None, "fee_cents": 5_00}
    ended = {"state": "completed", "closed_on": "2026-10-02", "ticket_id": 3}
    agreed = {"accepted_on": "2026-08-20", "taxed_at": "completion", "agreed_at": AT, "agreed_by": 1}
    insert(connection, "layaway", {"id": 1, **terms, **cents, **agreed, **ended})
    item = {"layaway_id": 1, "position": 1, "dealer_id": 1, "tag": "D01-3", "description": "Tole tray", "tax_class": "general"}
    price = {"quantity": 1, "unit_price": 30_000_000, "tag_cents": 30_00, "discount_cents": 2_00, "price_cents": 28_00}
    insert(connection, "layaway_line", {**item, **price, "discount_reason": "offer", "discount_authority": "Fenwick"})
    move = {"layaway_id": 1, "key": "k:deposit", "kind": "paid", "tender": "cash", "amount_cents": 8_00}
    insert(connection, "layaway_move", {**move, "on_day": "2026-08-20", "entry_id": 1, "made_by": 1})


LOADERS: dict[str, Callable[[Connection], None]] = {
    "0001": load_first,
    "0002": load_first,
    "0003": load_tax,
    "0004": load_feeds,
    "0005": load_facts,
    "0006": load_floor,
    "0007": load_layaways,
}
"""By revision."""
