"""What the database guards since turns, resets and overflow came; what it guarded before is in guards.py.

A later revision adds its own entry here, and a loader in loaders.py.
"""

from __future__ import annotations

from dataclasses import replace

from tests.integration.migrations import guards
from tests.integration.migrations.guards import LINKS, each, names

TURNS = replace(
    LINKS,
    checks=LINKS.checks
    | names("""
        attendance.ck_attendance_came_late attendance.ck_attendance_forward attendance.ck_attendance_known_decision
        availability.ck_availability_every_weeks availability.ck_availability_forward
        availability.ck_availability_hours_forward availability.ck_availability_known_kind
        availability.ck_availability_weekdays checklist_item.ck_checklist_item_forward
        checklist_item.ck_checklist_item_known_kind holiday_choice.ck_holiday_choice_forward
        holiday_choice.ck_holiday_choice_hours_if_short holiday_choice.ck_holiday_choice_known_how
        opening_exception.ck_opening_exception_both_or_none opening_exception.ck_opening_exception_forward
        opening_hours.ck_opening_hours_both_or_none opening_hours.ck_opening_hours_forward
        opening_hours.ck_opening_hours_weekday post.ck_post_known_kind post_need.ck_post_need_dates_forward
        post_need.ck_post_need_key_holders post_need.ck_post_need_known_ends post_need.ck_post_need_people
        post_need.ck_post_need_weekdays rota.ck_rota_known_state rota.ck_rota_published_at_a_time turn.ck_turn_forward
        turn.ck_turn_known_state turn.ck_turn_nobody_for_nobody turn_account.ck_turn_account_known_kind
        turn_account.ck_turn_account_not_zero turn_change.ck_turn_change_known_how turn_fact.ck_turn_fact_forward
        turn_fact.ck_turn_fact_known_kind turn_fact.ck_turn_fact_less_by_office turn_offer.ck_turn_offer_answered_by_somebody
        turn_offer.ck_turn_offer_known_kind turn_offer.ck_turn_offer_known_state turn_offer.ck_turn_offer_money_for_a_gift
        turn_offer.ck_turn_offer_return_of_a_swap turn_pair.ck_turn_pair_known_how turn_pair.ck_turn_pair_two_in_order
        turn_rule.ck_turn_rule_answers_in_month turn_rule.ck_turn_rule_known_closed turn_rule.ck_turn_rule_known_no_show
        turn_rule.ck_turn_rule_known_silence
    """),
    sqlite_triggers=LINKS.sqlite_triggers
    | each(names("turn_change checklist_tick turn_account"), "no_update no_delete no_replace")
    | each(names("turn_offer attendance rota"), "fixed no_delete no_replace")
    | each(names("turn"), "no_delete no_replace overlap_insert overlap_update"),
    postgresql_triggers=LINKS.postgresql_triggers
    | each(names("turn_change checklist_tick turn_account"), "frozen no_truncate")
    | each(names("turn_offer attendance rota"), "fixed no_delete no_truncate")
    | each(names("turn"), "no_delete no_truncate"),
    functions=LINKS.functions | names("guard_turn_no_delete"),
    exclusions=LINKS.exclusions | names("turn.guard_turn_overlap"),
)

RESETS = replace(
    TURNS,
    checks=TURNS.checks
    | names("""
        booth_measure.ck_booth_measure_aisle_not_negative booth_measure.ck_booth_measure_height_above_zero
        booth_measure.ck_booth_measure_way_above_zero booth_reset.ck_booth_reset_forward
        booth_reset.ck_booth_reset_known_state booth_reset.ck_booth_reset_somebody booth_reset.ck_booth_reset_two_sets
        booth_set.ck_booth_set_forward booth_set.ck_booth_set_known_state piece.ck_piece_carries_not_negative
        piece.ck_piece_feet_not_negative piece.ck_piece_has_a_size piece.ck_piece_known_bound piece.ck_piece_known_place
        piece.ck_piece_known_stands piece.ck_piece_top_whole piece.ck_piece_weight_above_zero
        reset_booking.ck_reset_booking_forward reset_booking.ck_reset_booking_known_kind
        reset_time.ck_reset_time_count_above_zero reset_time.ck_reset_time_minutes_above_zero
        reset_time.ck_reset_time_somebody set_price.ck_set_price_price_above_zero set_piece.ck_set_piece_not_on_itself
        set_piece.ck_set_piece_turn_in_circle
        set_piece.ck_set_piece_up_not_negative smalls.ck_smalls_boxes_not_negative smalls.ck_smalls_count_not_negative
        smalls.ck_smalls_each_above_zero smalls.ck_smalls_known_place staging_floor.ck_staging_floor_has_a_size
    """),
    sqlite_triggers=TURNS.sqlite_triggers
    | each(names("booth_measure reset_plan"), "no_update no_delete no_replace")
    | each(names("reset_booking"), "overlap_insert overlap_update"),
    postgresql_triggers=TURNS.postgresql_triggers | each(names("booth_measure reset_plan"), "frozen no_truncate"),
    exclusions=TURNS.exclusions | names("reset_booking.guard_reset_booking_overlap"),
)

OVERFLOW = replace(
    RESETS,
    checks=RESETS.checks
    | names("""
        bay.ck_bay_has_a_size bay.ck_bay_known_backing booth_opening.ck_booth_opening_has_a_width
        booth_opening.ck_booth_opening_place_not_negative overflow_answer.ck_overflow_answer_known_answer
        overflow_draft.ck_overflow_draft_known_state overflow_draft.ck_overflow_draft_weeks
        overflow_piece.ck_overflow_piece_has_a_size overflow_piece.ck_overflow_piece_price_not_negative
        overflow_piece.ck_overflow_piece_weight_above_zero overflow_request.ck_overflow_request_known_state
        overflow_request.ck_overflow_request_weeks overflow_rule.ck_overflow_rule_fee_not_negative
        overflow_rule.ck_overflow_rule_known_fee overflow_rule.ck_overflow_rule_known_glass
        overflow_rule.ck_overflow_rule_known_last overflow_stay.ck_overflow_stay_dates_forward
        overflow_stay.ck_overflow_stay_forward overflow_stay.ck_overflow_stay_known_kind
        overflow_stay.ck_overflow_stay_known_state walk_mark.ck_walk_mark_known_mark
    """),
    sqlite_triggers=RESETS.sqlite_triggers
    | each(names("overflow_answer"), "no_update no_delete no_replace")
    | each(names("bay"), "fixed no_delete no_replace")
    | each(names("overflow_stay"), "overlap_insert overlap_update"),
    postgresql_triggers=RESETS.postgresql_triggers
    | each(names("overflow_answer"), "frozen no_truncate")
    | each(names("bay"), "fixed no_delete no_truncate"),
    exclusions=RESETS.exclusions | names("overflow_stay.guard_overflow_stay_place overflow_stay.guard_overflow_stay_piece"),
)

SAID_OF_OVERFLOW = replace(
    OVERFLOW,
    checks=OVERFLOW.checks
    | names("""
        overflow_stay.ck_overflow_stay_cancelled_by overflow_stay.ck_overflow_stay_gone_said
        overflow_stay.ck_overflow_stay_lengthened
    """),
    sqlite_triggers=OVERFLOW.sqlite_triggers
    | each(names("overflow_walk"), "told no_delete no_replace")
    | each(names("walk_mark"), "told_insert told_update told_delete fixed no_replace"),
    postgresql_triggers=OVERFLOW.postgresql_triggers
    | each(names("overflow_walk"), "told no_delete no_truncate")
    | each(names("walk_mark"), "told no_truncate"),
    functions=OVERFLOW.functions | names("guard_walk_mark_told"),
)

DAYS_BEFORE = replace(
    SAID_OF_OVERFLOW,
    checks=SAID_OF_OVERFLOW.checks
    | names("overflow_stay.ck_overflow_stay_gone_from overflow_stay.ck_overflow_stay_recalled_from"),
)

GUARDS = {
    **guards.GUARDS,
    "0012": TURNS,
    "0013": RESETS,
    "0014": RESETS,
    "0015": OVERFLOW,
    "0016": SAID_OF_OVERFLOW,
    "0017": SAID_OF_OVERFLOW,
    "0018": DAYS_BEFORE,
}
"""By revision."""
