"""What the database itself guards, by revision and by database: written down, so that a revision that loses one is seen.

A later revision adds its own entry here, and a loader in loaders.py.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Guards:
    """Names of triggers, functions, CHECKs and exclusions, each with its table where it has one."""

    checks: frozenset[str]
    sqlite_triggers: frozenset[str]
    postgresql_triggers: frozenset[str]
    exclusions: frozenset[str] = frozenset()
    functions: frozenset[str] = frozenset()
    deferred_keys: frozenset[str] = frozenset({"entry.fk_entry_proved"})


def names(text: str) -> frozenset[str]:
    found = text.split()
    assert len(set(found)) == len(found)
    return frozenset(found)


CHECKS = names("""
    close_step.ck_close_step_known_state
    cooperative.ck_cooperative_only_one
    jurisdiction.ck_jurisdiction_known_kind
    lease.ck_lease_forward
    lease_space.ck_lease_space_area_not_negative
    lease_space.ck_lease_space_forward
    mail_attempt.ck_mail_attempt_known_outcome
    mail_identity.ck_mail_identity_only_one
    outbox.ck_outbox_known_state
    period.ck_period_forward
    period.ck_period_known_state
    posting.ck_posting_not_zero
    rent_rate.ck_rent_rate_known_unit
    rent_rate.ck_rent_rate_not_negative
    role_grant.ck_role_grant_known_role
    sales_import.ck_sales_import_known_state
    space.ck_space_area_not_negative
    space.ck_space_known_kind
    tax_place.ck_tax_place_known_basis
    tax_rate.ck_tax_rate_forward
    tax_rate.ck_tax_rate_not_negative
    ticket.ck_ticket_known_kind
""")

BOOKS = Guards(
    checks=CHECKS,
    sqlite_triggers=names("""
        account.guard_account_fixed
        account.guard_account_no_delete
        account.guard_account_no_replace
        audit_log.guard_audit_log_no_delete
        audit_log.guard_audit_log_no_replace
        audit_log.guard_audit_log_no_update
        charge.guard_charge_fixed
        charge.guard_charge_no_delete
        charge.guard_charge_no_replace
        document.guard_document_no_delete
        document.guard_document_no_replace
        document.guard_document_no_update
        entry.guard_entry_no_delete
        entry.guard_entry_no_replace
        entry.guard_entry_no_update
        entry.guard_entry_period
        entry_proof.guard_entry_proof_no_delete
        entry_proof.guard_entry_proof_no_replace
        entry_proof.guard_entry_proof_no_update
        entry_proof.guard_proof_balances
        lease_space.guard_lease_space_overlap_insert
        lease_space.guard_lease_space_overlap_update
        period.guard_period_closes_in_order
        period.guard_period_fixed
        period.guard_period_no_delete
        period.guard_period_no_replace
        period.guard_period_opens
        period.guard_period_stays_closed
        posting.guard_posting_before_proof
        posting.guard_posting_no_delete
        posting.guard_posting_no_replace
        posting.guard_posting_no_update
        posting.guard_posting_own_mall
        seal.guard_seal_no_delete
        seal.guard_seal_no_replace
        seal.guard_seal_no_update
        statement.guard_statement_document
        statement.guard_statement_fixed
        statement.guard_statement_no_delete
        statement.guard_statement_no_replace
        tax_charged.guard_tax_charged_no_delete
        tax_charged.guard_tax_charged_no_replace
        tax_charged.guard_tax_charged_no_update
        tax_rate.guard_tax_rate_overlap_insert
        tax_rate.guard_tax_rate_overlap_update
        tender.guard_tender_no_delete
        tender.guard_tender_no_replace
        tender.guard_tender_no_update
        ticket.guard_ticket_fixed
        ticket.guard_ticket_no_delete
        ticket.guard_ticket_no_replace
        ticket_line.guard_ticket_line_fixed
        ticket_line.guard_ticket_line_no_delete
        ticket_line.guard_ticket_line_no_replace
    """),
    postgresql_triggers=names("""
        account.guard_account_fixed
        account.guard_account_no_delete
        account.guard_account_no_truncate
        audit_log.guard_audit_log_frozen
        audit_log.guard_audit_log_no_truncate
        charge.guard_charge_fixed
        charge.guard_charge_no_delete
        charge.guard_charge_no_truncate
        document.guard_document_frozen
        document.guard_document_no_truncate
        entry.guard_entry_frozen
        entry.guard_entry_no_truncate
        entry.guard_entry_period
        entry_proof.guard_entry_proof_frozen
        entry_proof.guard_entry_proof_no_truncate
        entry_proof.guard_proof_balances
        period.guard_period_closes_in_order
        period.guard_period_fixed
        period.guard_period_no_delete
        period.guard_period_no_truncate
        period.guard_period_opens
        period.guard_period_stays_closed
        posting.guard_posting_before_proof
        posting.guard_posting_frozen
        posting.guard_posting_no_truncate
        posting.guard_posting_own_mall
        seal.guard_seal_frozen
        seal.guard_seal_no_truncate
        statement.guard_statement_document
        statement.guard_statement_fixed
        statement.guard_statement_no_delete
        statement.guard_statement_no_truncate
        tax_charged.guard_tax_charged_frozen
        tax_charged.guard_tax_charged_no_truncate
        tender.guard_tender_frozen
        tender.guard_tender_no_truncate
        ticket.guard_ticket_fixed
        ticket.guard_ticket_no_delete
        ticket.guard_ticket_no_truncate
        ticket_line.guard_ticket_line_fixed
        ticket_line.guard_ticket_line_no_delete
        ticket_line.guard_ticket_line_no_truncate
    """),
    exclusions=names("lease_space.guard_lease_space_overlap tax_rate.guard_tax_rate_overlap"),
    functions=names("""
        guard_entry_period
        guard_frozen
        guard_period_closes_in_order
        guard_period_opens
        guard_period_stays_closed
        guard_posting_before_proof
        guard_posting_own_mall
        guard_proof_balances
        guard_statement_document
    """),
)

TAX = Guards(
    checks=CHECKS
    | names("""
        tax_boundary.ck_tax_boundary_forward
        tax_boundary.ck_tax_boundary_known_record
        tax_certificate.ck_tax_certificate_forward
        tax_certificate.ck_tax_certificate_known_kind
        tax_import.ck_tax_import_known_kind
        tax_import.ck_tax_import_known_state
        tax_return.ck_tax_return_forward
        tax_return.ck_tax_return_known_state
        tax_rule.ck_tax_rule_forward
        tax_rule.ck_tax_rule_known_kind
        tax_setting.ck_tax_setting_known_frequency
        tax_setting.ck_tax_setting_known_interest_per
        tax_setting.ck_tax_setting_known_layaway_at
        tax_setting.ck_tax_setting_known_owed_by
        tax_setting.ck_tax_setting_known_remits
        tax_setting.ck_tax_setting_known_roll
        tax_untaxed.ck_tax_untaxed_known_kind
    """),
    sqlite_triggers=BOOKS.sqlite_triggers
    | names("""
        tax_rate.guard_tax_rate_used
        tax_return.guard_tax_return_no_delete
        tax_return.guard_tax_return_no_replace
        tax_return.guard_tax_return_no_update
        tax_untaxed.guard_tax_untaxed_no_delete
        tax_untaxed.guard_tax_untaxed_no_replace
        tax_untaxed.guard_tax_untaxed_no_update
    """),
    postgresql_triggers=BOOKS.postgresql_triggers
    | names("""
        tax_rate.guard_tax_rate_used
        tax_return.guard_tax_return_filed
        tax_return.guard_tax_return_no_truncate
        tax_untaxed.guard_tax_untaxed_frozen
        tax_untaxed.guard_tax_untaxed_no_truncate
    """),
    exclusions=BOOKS.exclusions,
    functions=BOOKS.functions | names("guard_tax_rate_used guard_tax_return_filed"),
)

FEEDS = Guards(
    checks=TAX.checks | names("calendar_feed.ck_calendar_feed_forward calendar_feed.ck_calendar_feed_hashed"),
    sqlite_triggers=TAX.sqlite_triggers | names("calendar_feed.guard_calendar_feed_fixed"),
    postgresql_triggers=TAX.postgresql_triggers | names("calendar_feed.guard_calendar_feed_fixed"),
    exclusions=TAX.exclusions,
    functions=TAX.functions | names("guard_calendar_feed_fixed"),
)

FACTS = replace(
    FEEDS,
    checks=FEEDS.checks
    | names("""
        ticket.ck_ticket_adds_up
        ticket.ck_ticket_known_certificate_kind
        ticket.ck_ticket_layaway_forward
        ticket_line.ck_ticket_line_adds_up
    """),
)

FLOOR = replace(
    FACTS,
    checks=FACTS.checks
    | names("""
        aisle_width.ck_aisle_width_width_above_zero
        deposit_line.ck_deposit_line_above_zero
        deposit_line.ck_deposit_line_known_kind
        dispute.ck_dispute_forward
        floor_plan.ck_floor_plan_tolerance_not_negative
        floor_plan.ck_floor_plan_width_above_zero
        lease.ck_lease_deposit_not_negative
        lease.ck_lease_known_notice_by
        lease.ck_lease_known_signing
        lease.ck_lease_notice_not_negative
        lease.ck_lease_term_forward
        lease_rule.ck_lease_rule_known_late_fee
        lease_rule.ck_lease_rule_known_posting
        lease_rule.ck_lease_rule_known_proration
        lease_share.ck_lease_share_a_part
        lease_term.ck_lease_term_forward
        lease_term.ck_lease_term_known_kind
        offer.ck_offer_forward
        offer.ck_offer_known_state
        plan_part.ck_plan_part_known_kind
        price_index.ck_price_index_above_zero
        space_measure.ck_space_measure_area_not_negative
        waiting.ck_waiting_known_kind
        waiting.ck_waiting_known_state
    """),
    sqlite_triggers=FACTS.sqlite_triggers
    | names("""
        deposit_line.guard_deposit_line_no_delete
        deposit_line.guard_deposit_line_no_replace
        deposit_line.guard_deposit_line_no_update
    """),
    postgresql_triggers=FACTS.postgresql_triggers
    | names("deposit_line.guard_deposit_line_frozen deposit_line.guard_deposit_line_no_truncate"),
)

LAYAWAYS = replace(
    FLOOR,
    checks=FLOOR.checks
    | names("""
        layaway.ck_layaway_amounts
        layaway.ck_layaway_closed_forward
        layaway.ck_layaway_closed_on_a_day
        layaway.ck_layaway_completed_by_ticket
        layaway.ck_layaway_due_forward
        layaway.ck_layaway_known_state
        layaway.ck_layaway_known_taxed_at
        layaway_line.ck_layaway_line_adds_up
        layaway_line.ck_layaway_line_sold
        layaway_move.ck_layaway_move_above_zero
        layaway_move.ck_layaway_move_known_kind
    """),
    sqlite_triggers=FLOOR.sqlite_triggers
    | names("""
        layaway.guard_layaway_fixed
        layaway.guard_layaway_no_delete
        layaway.guard_layaway_no_replace
        layaway_line.guard_layaway_line_no_delete
        layaway_line.guard_layaway_line_no_replace
        layaway_line.guard_layaway_line_no_update
        layaway_move.guard_layaway_move_no_delete
        layaway_move.guard_layaway_move_no_replace
        layaway_move.guard_layaway_move_no_update
    """),
    postgresql_triggers=FLOOR.postgresql_triggers
    | names("""
        layaway.guard_layaway_fixed
        layaway.guard_layaway_no_delete
        layaway.guard_layaway_no_truncate
        layaway_line.guard_layaway_line_frozen
        layaway_line.guard_layaway_line_no_truncate
        layaway_move.guard_layaway_move_frozen
        layaway_move.guard_layaway_move_no_truncate
    """),
)

GUARDS = {
    "0001": Guards(checks=CHECKS, sqlite_triggers=frozenset(), postgresql_triggers=frozenset()),
    "0002": BOOKS,
    "0003": TAX,
    "0004": FEEDS,
    "0005": FACTS,
    "0006": FLOOR,
    "0007": LAYAWAYS,
}
"""By revision."""
