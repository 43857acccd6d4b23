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


def load_money(connection: Connection) -> None:
    """Revision 0008: the same co-op with a row of each thing that money in full is kept in."""
    load_layaways(connection)
    by, day, month = {"mall_id": 1}, "2026-10-02", "2026-09-01"
    set_ = {"set_by": 1, "set_at": AT}
    rule = {
        "starts_on": month,
        "card_percent": 3_000_000,
        "surcharge_percent": 0,
        "journal_limit_cents": 100_00,
        "payout_minimum_cents": 10_00,
    }
    waits = {"bank_wait_days": 7, "tax_form_needed": True, "next_rent": "shown", "unclaimed_days": 60, "stale_days": 180}
    insert(connection, "money_rule", {**rule, **waits, **set_})
    released = {"what": "unclaimed sales", "starts_on": month, "ends_on": None, "after_days": 1095, "goes_to": "state"}
    insert(connection, "release_rule", {"id": 1, **released, "said_by": "Elm Revised Code", **set_})
    file = {"kind": "csv", "file_name": "bank.csv", "file_sha256": "a" * 64, "first_day": month, "last_day": "2026-09-30"}
    insert(
        connection,
        "bank_file",
        {"id": 1, **file, "lines": 1, "lines_here": 0, "closing_cents": 50_00, "read_by": 1, "read_at": AT},
    )
    line = {"file_id": 1, "key": "1", "on_day": day, "amount_cents": 27_00, "reference": "", "words": "DEPOSIT"}
    insert(connection, "bank_line", {"id": 1, **line})
    insert(connection, "bank_item", {"entry_id": 1, "on_day": day, "amount_cents": -5_00, "reference": "1041", "words": ""})
    match = {"line_id": 1, "entry_id": 1, "item_id": None, "amount_cents": 27_00, "how": "hand", "made_by": 1, "made_at": AT}
    insert(connection, "bank_match", {**match, "undone_by": 1, "undone_at": AT})
    sums = {"bank_cents": 50_00, "outstanding_cents": -5_00, "book_cents": 44_00, "difference_cents": 1_00}
    insert(connection, "bank_month", {"first_day": month, **sums, "explanation": "A cent a day", "made_by": 1, "made_at": AT})
    entered = {"id": 1, "key": "j", "mall_id": 1, "on_day": day, "reason": "Paint", "document_id": None, "second_needed": False}
    posted = {
        "entered_by": 1,
        "entered_at": AT,
        "state": "posted",
        "decided_by": 1,
        "decided_at": AT,
        "decision": "",
        "entry_id": 3,
    }
    insert(connection, "journal", {**entered, **posted, "reverses_id": None})
    insert(connection, "journal_line", {"journal_id": 1, "position": 1, "account_id": 1, "amount_cents": 5_00})
    read = {"id": 1, "file_name": "paper.csv", "file_sha256": "b" * 64, "content": "kind", "first_day": month, "totals": "{}"}
    insert(connection, "opening", {**read, "state": "read", "read_by": 1, "read_at": AT, "signed_by": None, "signed_at": None})
    memo = {"opening_id": 1, **by, "dealer_id": 1, "what": "turns", "year": 2026, "amount_cents": None, "turns": 1_500_000}
    insert(connection, "opening_memo", memo)
    gift = {"id": 1, "number": "G1", **by, "sold_on": day, "amount_cents": 25_00, "expires_on": None, "sold_by": 1}
    insert(connection, "gift_certificate", gift)
    moved = {"certificate_id": 1, "key": "g", "kind": "sold", "amount_cents": 25_00, "on_day": day, **by, "ticket_id": None}
    insert(connection, "gift_move", {**moved, "entry_id": 1, "made_by": 1})
    asked = {"line_id": 1, "dealer_id": 1, "words": "Mine", "asked_by": 1, "asked_at": AT, "state": "refused", "decided_by": 1}
    insert(connection, "claim", {**asked, "decided_at": AT, "decision": "Sold by D02", "entry_id": None})
    count = {"key": "c", **by, "drawer": "", "on_day": day, "expected_cents": 50_00, "counted_cents": 49_00, "counted_by": 1}
    insert(connection, "drawer_count", {**count, "seconded_by": None, "note": "", "counted_at": AT, "entry_id": 2})
    insert(
        connection,
        "desk_device",
        {**by, "name": "Front", "registered_at": AT, "retired_at": None, "waiting": 0, "reported_at": AT},
    )
    paid = {"id": 1, "dealer_id": 1, "method": "ach", "holder": "person", "routing": "111000025", "account_kind": "checking"}
    insert(
        connection, "payout_detail", {**paid, "account_sealed": "x", "account_last4": "6789", "changed_by": 1, "changed_at": AT}
    )
    form = {"dealer_id": 1, "form": "W-9", "received_on": day, "number_sealed": "x", "number_last4": "6789"}
    insert(connection, "tax_form", {**form, "entered_by": 1, "entered_at": AT})
    bank = {"bank_routing": "111000025", "bank_name": "ELM BANK", "company_id": "1234567890", "company_name": "LANTERN"}
    insert(connection, "ach_origin", {**bank, "balanced": False, "account_sealed": "", "account_last4": "", **set_})
    run = {"id": 1, "number": 1, "first_day": month, "pay_on": "2026-10-10", "state": "prepared", "made_by": 1, "made_at": AT}
    approval = dict.fromkeys(("approved_by", "approved_at", "paid_on", "paid_by", "first_check"))
    papers = {"ach_document_id": None, "remittance_document_id": None}
    insert(connection, "payout_run", {**run, **approval, **papers})
    payee = {"id": 1, "run_id": 1, "dealer_id": 1, "amount_cents": 20_00, "method": "ach", "detail_id": 1, "reference": ""}
    insert(connection, "payout_line", {**payee, "returned_on": None, "return_reason": ""})
    insert(connection, "payout_part", {"line_id": 1, **by, "amount_cents": 20_00, "entry_id": None, "back_entry_id": None})
    placed = {"dealer_id": 1, "reason": "Moved away", "placed_by": 1, "placed_at": AT, "lifted_by": None, "lifted_at": None}
    insert(connection, "payout_hold", placed)
    decided = {"first_day": month, "dealer_id": 1, "kind": "arrears", "pays": True, "reason": "Paid in cash"}
    insert(connection, "hold_decision", {**decided, "decided_by": 1, "decided_at": AT})
    let_go = {"rule_id": 1, **by, "certificate_id": 1, "ticket_line_id": None, "payout_line_id": None, "amount_cents": 25_00}
    unapproved = {"state": "asked", "approved_by": None, "approved_at": None, "entry_id": None}
    insert(connection, "release", {**let_go, "asked_by": 1, "asked_at": AT, **unapproved})
    limit = {"kind": "payments", "from_year": 2026, "amount_cents": 600_00, "least_count": 0, "said_by": "The accountant"}
    insert(connection, "year_threshold", {**limit, **set_})
    surplus = {"id": 1, "year": 2025, "surplus_cents": 100_00, "cash_percent": 20_000_000, "on_day": day, "state": "proposed"}
    proposal = {"made_by": 1, "made_at": AT, "approved_by": None, "approved_at": None, "totals": "{}"}
    insert(connection, "patronage", {**surplus, **proposal})
    share = {"patronage_id": 1, "dealer_id": 1, **by, "business_cents": 9_00, "share_cents": 100_00, "cash_cents": 20_00}
    insert(connection, "patronage_share", {**share, "retained_cents": 80_00, "entry_id": None})
    asks = {"statement_id": 1, "line": "sales/0", "said": "Chair", "question": "Which?", "asked_by": 1, "asked_at": AT}
    insert(connection, "statement_question", {**asks, "answer": "", "answered_by": None, "answered_at": None})


def load_links(connection: Connection) -> None:
    """All of load_money, a link that was used and one that runs."""
    load_money(connection)
    sent = {"user_id": 1, "token_sealed": "", "made_by": None, "created_at": AT, "expires_at": "2026-11-09 15:00:00"}
    insert(
        connection,
        "sign_in_link",
        {**sent, "purpose": "invitation", "token_sha256": "a" * 64, "used_at": AT, "ended_at": None},
        {**sent, "purpose": "passphrase", "token_sha256": "b" * 64, "token_sealed": "x", "used_at": None, "ended_at": None},
    )
    insert(connection, "passphrase_request", {"at": AT, "email": "somebody@example.org", "address": "192.0.2.7"})


def load_turns(connection: Connection) -> None:
    """All of load_links, a mall's hours, posts and rules of turns, a published rota with a turn, and what became of it."""
    load_links(connection)
    here, day, month = {"mall_id": 1}, "2026-11-03", "2026-11-01"
    amounts = {"owed_base": 100, "owed_by_area": "[[10000, 100]]", "owed_most": 400, "carry_most": None, "credit_cents": 0}
    days = {"new_days": 30, "answers_day": 20, "remind_days": 2, "swap_hours": 24, "late_minutes": 10, "no_show_minutes": 30}
    limits = {"most_day": 1, "most_week": 3, "most_in_row": 3, "rest_minutes": 600, "keys_at_ends": 1, "least_people": 2}
    kinds = {"silence": "free", "no_show": "owe", "closed": "worked", "holidays_of": "US", "paid_substitutes": True}
    money = {"no_show_cents": 35_00, "buy_out_cents": 35_00, "least_weekdays": 96}
    insert(connection, "turn_rule", {**here, "starts_on": month, **amounts, **days, **limits, **kinds, **money})
    hours = {"opens_min": 600, "closes_min": 1050}
    insert(connection, "opening_hours", {**here, "starts_on": month, "weekday": 1, **hours})
    insert(connection, "opening_exception", {**here, "on_date": day, **hours, "why": "Fair", "made_at": AT})
    insert(connection, "holiday_choice", {**here, "name": "Christmas Day", "starts_on": month, "how": "short", **hours})
    insert(connection, "post", {"id": 1, **here, "name": "Desk", "kind": "desk"})
    dated = {"starts_on": month, "ends_on": None}
    ends = {"from_what": "open", "from_min": 0, "to_what": "close", "to_min": 15}
    insert(connection, "post_need", {"post_id": 1, **dated, "weekdays": 127, **ends, "people": 2, "key_holders": 1})
    insert(connection, "member", {"id": 80, "name": "Wren", "email": "", "phone": "", "address": "", "joined_on": "2026-01-01"})
    insert(connection, "member", {"id": 81, "name": "Lark", "email": "", "phone": "", "address": "", "joined_on": "2026-01-01"})
    her = {"member_id": 80}
    insert(connection, "turn_fact", {**her, "mall_id": None, "kind": "office", **dated, "words": "Treasurer", "less": 100})
    insert(connection, "turn_pair", {"one_id": 80, "other_id": 81, "how": "apart", "starts_on": month, "ended_on": None})
    helper = {"id": 1, **her, "name": "Reed", "phone": "", "trained_on": None, "named_at": AT, "ended_on": None}
    insert(connection, "turn_helper", helper)
    repeats = {"weekdays": 127, "every_weeks": 2, "from_min": 0, "to_min": 720, "said_at": AT, "ended_at": None}
    insert(connection, "availability", {**her, "kind": "rather not", **dated, **repeats})
    insert(connection, "month_answer", {**her, "first_day": month, "answered_at": AT})
    drafted = {"version": 2, "job_id": None, "stop_asked_at": None, "drafted_at": AT, "outcome": "{}"}
    published = {"state": "published", "published_at": AT, "published_by": 1}
    insert(connection, "rota", {"id": 1, **here, "first_day": month, **drafted, **published})
    seat = {"id": 1, "rota_id": 1, **here, "post_id": 1, "seat": 1, "on_date": day, "opens": True, "closes": False}
    span = {"starts_at": "2026-11-03 15:00:00", "ends_at": "2026-11-03 19:00:00", "needs_keys": False, "holiday": ""}
    stands = {"for_member_id": None, "helper_id": None, "locked": False, "state": "standing", "why": ""}
    insert(connection, "turn", {**seat, **span, "member_id": 81, **stands})
    offer = {"id": 1, "turn_id": 1, "kind": "give", "by_member_id": 80, "to_member_id": None, "pays_cents": 35_00, "words": ""}
    taken = {"state": "taken", "made_at": AT, "return_turn_id": None, "answered_by": 81, "answered_at": AT, "ended_at": AT}
    insert(connection, "turn_offer", {**offer, **taken})
    went = {"turn_id": 1, "at": AT, "how": "given", "from_member_id": 80, "to_member_id": 81, "by_user_id": 1, "offer_id": 1}
    insert(connection, "turn_change", went)
    came = {"signed_in_at": AT, "signed_out_at": None, "late": False, "missed_at": None, "drawer_count_id": None}
    undecided = {"decision": "", "decided_by": None, "decided_at": None, "note": ""}
    insert(connection, "attendance", {"turn_id": 1, **came, **undecided})
    item = {"id": 1, **here, "kind": "opening", "place": 1, "words": "Lights", "starts_on": month, "ended_on": None}
    insert(connection, "checklist_item", item)
    insert(connection, "checklist_tick", {"item_id": 1, "on_date": day, "ticked_at": AT, "user_id": 1})
    line = {**here, **her, "first_day": month, "kind": "owed", "key": "owed:2026-11", "turns": -200, "working": "2 by the booth"}
    insert(connection, "turn_account", {**line, "turn_id": None, "at": AT})


def load_resets(connection: Connection) -> None:
    """All of load_turns, a dealer's piece and smalls, a booth measured, two sets, and the reset from one to the other."""
    load_turns(connection)
    size = {"width_in16": 768, "depth_in16": 288, "height_in16": 1152, "weight_oz": 1920}
    told = {"stands": "floor", "grouping": "harvest", "theme": "", "colours": '["#8a5a2b"]', "price_cents": 240_00, "tag": "41"}
    top = {"carries_oz": 800, "top_width_in16": None, "top_depth_in16": None, "opens_in16": 288, "feet": 4}
    kinds = {"fragile": False, "glass": False, "leans": False, "needs_power": False, "carried": "[]", "bound": "", "note": ""}
    stands = {"place": "booth", "store_until": None, "gone_on": None, "version": 1, "created_at": AT}
    named = {"id": 1, "dealer_id": 1, "name": "Pine cupboard", "name_key": "pine cupboard", "kind": "cupboard"}
    insert(connection, "piece", {**named, **size, **told, **top, **kinds, **stands})
    counted = {"grouping": "tins", "count": 40, "each_cuin": 60, "boxes": None, "fragile": False, "place": "booth"}
    insert(connection, "smalls", {"id": 1, "dealer_id": 1, **counted, "on_piece_id": 1, "note": "", "created_at": AT})
    measured = {"id": 1, "space_id": 1, "number": 1, "measured_on": "2026-11-03", "measured_by": "Wren", "user_id": 1}
    drawn = {"outline_in16": "[[0, 0], [1920, 0], [1920, 1536], [0, 1536]]", "posts_in16": "[]", "outlets_in16": "[[0, 300]]"}
    wall, way = '{"kind": "wall", "hooks": true, "height_in16": 1536}', {"way_in16": 576, "aisle_in16": 768}
    sides = f'[{wall}, {wall}, {{"kind": "open", "hooks": false, "height_in16": null}}, {wall}]'
    insert(connection, "booth_measure", {**measured, **drawn, "sides": sides, "height_limit_in16": 1536, **way, "created_at": AT})
    both = {"dealer_id": 1, "space_id": 1, "measure_id": 1, "theme": "", "note": "", "version": 1, "created_at": AT}
    autumn = {"name": "Autumn", "name_key": "autumn", "starts_on": "2026-09-01", "ends_on": None, "state": "stands"}
    winter = {"name": "Winter", "name_key": "winter", "starts_on": "2026-12-01", "ends_on": None, "state": "draft"}
    insert(connection, "booth_set", {"id": 1, **both, **autumn, "copied_from_id": None, "changed_at": AT})
    insert(connection, "booth_set", {"id": 2, **both, **winter, "copied_from_id": 1, "changed_at": AT})
    put = {"piece_id": 1, "x_in16": 400, "y_in16": 144, "turn_deg": 0, "on_piece_id": None, "up_in16": 0, "locked": False}
    insert(connection, "set_piece", {"set_id": 1, **put}, {"set_id": 2, **put})
    insert(connection, "set_price", {"set_id": 2, "piece_id": 1, "price_cents": 210_00})
    legs = '[{"kind": "door", "width_in16": 576, "height_in16": 1280}]'
    insert(connection, "carry_way", {"id": 1, "mall_id": 1, "name": "Back dock", "legs": legs, "version": 1, "changed_at": AT})
    insert(connection, "staging_floor", {"mall_id": 1, "name": "By the dock", "width_in16": 1920, "depth_in16": 768, "note": ""})
    change = {"id": 1, "dealer_id": 1, "space_id": 1, "from_set_id": 1, "to_set_id": 2, "on_date": "2026-12-01", "people": 2}
    day = {"begins_minute": 600, "ends_minute": 1080, "helpers": "[]", "staging": "[]", "way_id": 1, "van": None}
    insert(
        connection,
        "booth_reset",
        {**change, **day, "state": "planned", "note": "", "version": 1, "created_at": AT, "done_at": None},
    )
    insert(connection, "reset_plan", {"id": 1, "reset_id": 1, "number": 1, "value": "{}", "made_of": "a" * 64, "made_at": AT})
    ticked = {"move_number": 1, "is_done": True, "ticked_at": AT, "received_at": AT, "user_id": 1}
    insert(connection, "reset_tick", {"plan_id": 1, **ticked})
    dock = {"kind": "dock", "place": "Back dock", "on_date": "2026-12-01", "from_minute": 600, "to_minute": 660}
    insert(connection, "reset_booking", {"id": 1, "reset_id": 1, "mall_id": 1, **dock})
    took = {"task": "moves", "minutes": 45, "people": 2, "count": 9, "on_date": "2026-11-03", "created_at": AT}
    insert(connection, "reset_time", {"dealer_id": 1, "reset_id": None, **took})
    insert(connection, "reset_setting", {"dealer_id": 1, "value": "{}", "version": 1})


def load_overflow(connection: Connection) -> None:
    """All of load_resets, a bay with a piece in it, its request and answer, another request in a draft, and a walk."""
    load_resets(connection)
    widths = {"least_depth_in16": 192, "least_length_in16": 288, "deepest_in16": 768, "entry_in16": 576, "gap_in16": 16}
    heights = {"highest_in16": 1344, "wall_above_in16": 960, "before_in16": 672, "tips_from": 3_000_000, "glass": "at a wall"}
    weeks = {"recall_days": 7, "longest_weeks": 12, "rotation_weeks": 12, "sold_days": 7, "last_by": "price"}
    fee = {"fee_kind": "foot-week", "fee_cents": 1_50, "most_in16": 1536, "most_pieces": 4}
    insert(connection, "overflow_rule", {"mall_id": 1, "starts_on": "2026-01-01", **fee, **widths, **heights, **weeks})
    insert(connection, "booth_opening", {"space_id": 1, "side": 2, "from_in16": 0, "width_in16": 576})
    corners = "[[0, 0], [1152, 0], [1152, 384], [0, 384]]"
    bay = {"id": 1, "mall_id": 1, "code": "A1-1", "aisle": "A1", "corners_in16": corners, "length_in16": 1152, "depth_in16": 384}
    said = {"backing": "wall", "before": "", "is_lent": True, "palette": '["#8a5a2b"]', "note": ""}
    insert(connection, "bay", {**bay, **said, "starts_on": "2026-01-01", "ended_on": None})
    insert(connection, "bay_survey", {"mall_id": 1, "made_of": "a" * 64, "made_at": AT, "value": "{}", "job_id": None})
    asked = {"dealer_id": 1, "mall_id": 1, "asked_on": "2026-10-01", "not_before": "2026-11-02", "weeks": 4}
    how = {"flexible_weeks": 2, "together": False, "bay_code": "", "note": "", "version": 1, "created_at": AT}
    insert(connection, "overflow_request", {"id": 1, **asked, **how, "state": "granted"})
    size = {
        "width_in16": 768,
        "depth_in16": 288,
        "height_in16": 576,
        "weight_oz": 960,
        "colour": "#8a5a2b",
        "grouping": "harvest",
    }
    told = {"name": "Pine chest", "price_cents": 180_00, "glass": False, "may_turn": False, "tag": "D01-42"}
    insert(connection, "overflow_piece", {"id": 1, "dealer_id": 1, "request_id": 1, **size, **told})
    place = {"kind": "asked", "state": "stands", "from_in16": 0, "to_in16": 768, "depth_in16": 288, "turned": False}
    days = {"starts_on": "2026-11-02", "ends_on": "2026-11-29", "granted_until": "2026-11-29", "why": "Waited longest."}
    gone = {"recalled_at": None, "recall_why": "", "moved_in_on": "2026-11-02", "version": 1, "created_at": AT}
    insert(connection, "overflow_stay", {"id": 1, "piece_id": 1, "bay_id": 1, **place, **days, **gone})
    period = {"id": 1, "mall_id": 1, "first_day": "2026-11-02", "weeks": 12, "seed": 1, "seconds": 30, "state": "published"}
    made = {"made_of": "b" * 64, "outcome": "{}", "job_id": None, "stop_asked_at": None, "version": 2, "created_at": AT}
    insert(connection, "overflow_draft", {**period, **made, "published_at": AT})
    answer = {"answer": "granted", "sentence": "It stands in bay A1-1.", "at": AT}
    insert(connection, "overflow_answer", {"id": 1, "request_id": 1, "draft_id": 1, **answer})
    walk = {"id": 1, "mall_id": 1, "on_date": "2026-11-03", "user_id": 1, "note": "", "created_at": AT}
    insert(connection, "overflow_walk", walk)
    insert(connection, "walk_mark", {"walk_id": 1, "stay_id": 1, "mark": "out of place", "note": "2 ft to the left"})


def load_said(connection: Connection) -> None:
    """All of load_overflow, a piece that is gone, floor taken back before it came, a stay made longer, and a walk told of."""
    load_overflow(connection)
    place = {"bay_id": 1, "kind": "asked", "from_in16": 0, "to_in16": 768, "depth_in16": 288, "turned": False, "why": ""}
    days = {"starts_on": "2026-09-01", "ends_on": "2026-09-20", "granted_until": "2026-09-27", "recall_why": ""}
    made = {"version": 2, "created_at": AT}
    gone = {"state": "stands", "lengthened_from": "2026-09-13", "gone_said_at": AT, "gone_said_by": 1}
    insert(connection, "overflow_stay", {"id": 2, "piece_id": 1, **place, **days, **made, **gone})
    taken_back = {"state": "cancelled", "cancelled_by": 1}
    insert(connection, "overflow_stay", {"id": 3, "piece_id": 1, **place, **days, **made, **taken_back})
    walk = {"id": 2, "mall_id": 1, "on_date": "2026-09-10", "user_id": 1, "note": "", "created_at": AT}
    insert(connection, "overflow_walk", walk)
    insert(connection, "walk_mark", {"walk_id": 2, "stay_id": 2, "mark": "not there", "note": ""})
    connection.exec_driver_sql(f"UPDATE overflow_walk SET told_at = '{AT}' WHERE id = 2")


def load_sent(connection: Connection) -> None:
    """As of 0016; the forms by which a request and its piece came have keys now."""
    load_said(connection)
    for table in ("overflow_request", "overflow_piece"):
        connection.exec_driver_sql(f"UPDATE {table} SET key = '{'a' * 32}' WHERE id = 1")


def load_days_before(connection: Connection) -> None:
    """As of 0017; a piece was asked back, and then it was said to be gone."""
    load_sent(connection)
    said = f"recalled_from = '2026-09-27', recalled_at = '{AT}', gone_from = '2026-09-24', lengthened_from = NULL"
    connection.exec_driver_sql(f"UPDATE overflow_stay SET {said} WHERE id = 2")


LOADERS: dict[str, Callable[[Connection], None]] = {
    "0001": load_first,
    "0002": load_first,
    "0003": load_tax,
    "0004": load_feeds,
    "0005": load_facts,
    "0006": load_floor,
    "0007": load_layaways,
    "0008": load_money,
    "0009": load_money,
    "0010": load_links,
    "0011": load_links,
    "0012": load_turns,
    "0013": load_resets,
    "0014": load_resets,
    "0015": load_overflow,
    "0016": load_said,
    "0017": load_sent,
    "0018": load_days_before,
}
"""By revision."""
