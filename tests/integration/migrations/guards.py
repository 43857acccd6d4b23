"""What the database itself guards, by revision and by database: written down, so that a revision that loses one is seen.

Later revisions are in later_guards.py.
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

MONEY = replace(
    LAYAWAYS,
    checks=LAYAWAYS.checks
    | names("""
        bank_file.ck_bank_file_known_kind
        bank_item.ck_bank_item_not_zero
        bank_line.ck_bank_line_not_zero
        bank_match.ck_bank_match_not_zero
        bank_month.ck_bank_month_adds_up
        bank_month.ck_bank_month_explained
        claim.ck_claim_decided_at_a_moment
        claim.ck_claim_granted_by_entry
        claim.ck_claim_known_state
        close_override.ck_close_override_with_a_reason
        desk_device.ck_desk_device_not_negative
        drawer_count.ck_drawer_count_not_negative
        drawer_count.ck_drawer_count_two_people
        gift_certificate.ck_gift_certificate_above_zero
        gift_certificate.ck_gift_certificate_forward
        gift_move.ck_gift_move_above_zero
        gift_move.ck_gift_move_known_kind
        hold_decision.ck_hold_decision_known_kind
        hold_decision.ck_hold_decision_with_a_reason
        journal.ck_journal_known_state
        journal.ck_journal_posted_by_entry
        journal.ck_journal_second_person
        journal.ck_journal_with_a_reason
        journal_line.ck_journal_line_not_zero
        money_rule.ck_money_rule_card_percent
        money_rule.ck_money_rule_surcharge_percent
        money_rule.ck_money_rule_known_next_rent
        money_rule.ck_money_rule_not_negative
        opening.ck_opening_known_state
        opening.ck_opening_second_person
        opening.ck_opening_signed_at_a_moment
        opening_memo.ck_opening_memo_known_what
        opening_memo.ck_opening_memo_money_or_turns
        opening_memo.ck_opening_memo_turns_or_money
        patronage.ck_patronage_a_part
        patronage.ck_patronage_above_zero
        patronage.ck_patronage_known_state
        patronage.ck_patronage_second_person
        patronage_share.ck_patronage_share_adds_up
        patronage_share.ck_patronage_share_not_negative
        payout_detail.ck_payout_detail_ach_has_account
        payout_detail.ck_payout_detail_known_account_kind
        payout_detail.ck_payout_detail_known_holder
        payout_detail.ck_payout_detail_known_method
        payout_hold.ck_payout_hold_with_a_reason
        payout_line.ck_payout_line_above_zero
        payout_line.ck_payout_line_known_method
        payout_line.ck_payout_line_returned_with_a_reason
        payout_run.ck_payout_run_approved_first
        payout_run.ck_payout_run_known_state
        payout_run.ck_payout_run_paid_on_a_day
        payout_run.ck_payout_run_second_person
        release.ck_release_above_zero
        release.ck_release_known_state
        release.ck_release_of_one_thing
        release.ck_release_released_by_entry
        release.ck_release_second_person
        release_rule.ck_release_rule_forward
        release_rule.ck_release_rule_known_goes_to
        release_rule.ck_release_rule_known_what
        release_rule.ck_release_rule_not_negative
        statement_question.ck_statement_question_answered_at_a_moment
        statement_question.ck_statement_question_asked
        tax_form.ck_tax_form_known_form
        year_threshold.ck_year_threshold_known_kind
        year_threshold.ck_year_threshold_not_negative
    """),
)

FROZEN = names("""
    bank_file bank_item bank_line bank_month close_override drawer_count gift_certificate gift_move hold_decision journal_line
    opening_memo
""")
"""Tables whose rows are never changed or deleted."""
FIXED = names("""
    ach_origin bank_match claim journal opening patronage patronage_share payout_detail payout_hold payout_line payout_part
    payout_run release statement_question tax_form
""")
"""Tables of which some columns never change, and whose rows are never deleted."""


def each(tables: frozenset[str], guards: str) -> frozenset[str]:
    return frozenset(f"{table}.guard_{table}_{guard}" for table in tables for guard in guards.split())


CREDITED = names("ticket_line.guard_ticket_line_credited ticket_line.guard_ticket_line_credited_at_first")
MONEY_GUARDS = replace(
    MONEY,
    sqlite_triggers=MONEY.sqlite_triggers
    | each(FROZEN, "no_update no_delete no_replace")
    | each(FIXED, "fixed no_delete no_replace")
    | CREDITED,
    postgresql_triggers=MONEY.postgresql_triggers
    | each(FROZEN, "frozen no_truncate")
    | each(FIXED, "fixed no_delete no_truncate")
    | CREDITED,
    functions=MONEY.functions | names("guard_ticket_line_credited"),
)

LINKS = replace(
    MONEY_GUARDS,
    checks=MONEY_GUARDS.checks
    | names("""
        sign_in_link.ck_sign_in_link_forward
        sign_in_link.ck_sign_in_link_hashed
        sign_in_link.ck_sign_in_link_known_purpose
        sign_in_link.ck_sign_in_link_used_or_ended
    """),
    sqlite_triggers=MONEY_GUARDS.sqlite_triggers | names("sign_in_link.guard_sign_in_link_fixed"),
    postgresql_triggers=MONEY_GUARDS.postgresql_triggers | names("sign_in_link.guard_sign_in_link_fixed"),
    functions=MONEY_GUARDS.functions | names("guard_sign_in_link_fixed"),
)

GUARDS = {
    "0001": Guards(checks=CHECKS, sqlite_triggers=frozenset(), postgresql_triggers=frozenset()),
    "0002": BOOKS,
    "0003": TAX,
    "0004": FEEDS,
    "0005": FACTS,
    "0006": FLOOR,
    "0007": LAYAWAYS,
    "0008": MONEY,
    "0009": MONEY_GUARDS,
    "0010": LINKS,
    "0011": LINKS,
}
"""By revision, the first eleven."""
