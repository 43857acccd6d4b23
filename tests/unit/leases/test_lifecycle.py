"""The moves of a lease, its dates, and who is next. Every rule is common practice, no source, unless named."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from coop.leases.domain import TermsError
from coop.leases.domain.lifecycle import MOVES, Facts, Move, State, refusal
from coop.leases.domain.notice import (
    NoticeRule,
    earliest_last_day,
    increase_from,
    increase_told_by,
    notice_refusal,
    offer_deadline,
    renewal_notice_by,
    term_ends_on,
)
from coop.leases.domain.waiting import Waiting, in_order, next_in_line


def on(month: int, day: int) -> date:
    return date(2026, month, day)


GOOD = Facts(
    today=on(4, 10),
    space="Booth 12",
    space_free_from=on(4, 1),
    starts_on=on(5, 1),
    offer_deadline=on(4, 17),
    signed_by="A. Dealer",
    signed_on=on(4, 10),
    term_ends_on=on(4, 30),
    new_term_ends_on=on(10, 31),
    last_day=on(5, 31),
    moved_out_on=on(4, 10),
    checklist_done=True,
    final_statement_made=True,
    deposit_settled=True,
)


@pytest.mark.parametrize(
    ("state", "how", "then"),
    [
        ("waiting", "offer", "offered"),
        ("waiting", "withdraw", "ended"),
        ("offered", "sign_fixed", "fixed"),
        ("offered", "sign_monthly", "monthly"),
        ("offered", "decline", "waiting"),
        ("offered", "withdraw", "ended"),
        ("fixed", "renew", "fixed"),
        ("monthly", "renew", "fixed"),
        ("fixed", "give_notice", "noticed"),
        ("monthly", "give_notice", "noticed"),
        ("noticed", "take_back_notice", "monthly"),
        ("noticed", "move_out", "moved_out"),
        ("moved_out", "end", "ended"),
    ],
)
def test_moves_that_are_allowed(state: State, how: Move, then: State) -> None:
    assert (refusal(state, how, GOOD), MOVES[state][how]) == (None, then)


def test_moves_that_wait_for_a_day() -> None:
    assert refusal("offered", "expire", replace(GOOD, today=on(4, 18))) is None
    assert refusal("fixed", "run_on", replace(GOOD, today=on(5, 1))) is None


@pytest.mark.parametrize(
    ("state", "how", "more", "said"),
    [
        (
            "waiting",
            "move_out",
            {},
            "An application on the waiting list cannot be moved out of: it can be offered a space or be withdrawn.",
        ),
        ("moved_out", "renew", {}, "A lease that was moved out of cannot be renewed for a term: it can be ended."),
        ("ended", "renew", {}, "The lease has ended: nothing more can be done with it; make a new one."),
        (
            "waiting",
            "offer",
            {"offered_to_another": True},
            "Booth 12 is offered to another: wait for the answer or let that offer run out.",
        ),
        ("waiting", "offer", {"offer_deadline": None}, "The offer of Booth 12 has no deadline: set the last day to answer."),
        (
            "waiting",
            "offer",
            {"offer_deadline": on(4, 9)},
            "The deadline Apr 9, 2026 of the offer of Booth 12 is past: choose a day to come.",
        ),
        ("waiting", "offer", {"starts_on": None}, "The lease of Booth 12 has no first day: set one."),
        (
            "waiting",
            "offer",
            {"space_free_from": None},
            "Booth 12 is leased with no last day: wait for notice, or offer another space.",
        ),
        (
            "offered",
            "sign_monthly",
            {"space_free_from": on(6, 1)},
            "Booth 12 is free from Jun 1, 2026: begin then, not on May 1, 2026.",
        ),
        (
            "offered",
            "sign_fixed",
            {"signed_by": " "},
            "The lease of Booth 12 is not signed: enter the name and the day it was signed.",
        ),
        (
            "offered",
            "sign_fixed",
            {"signed_on": on(4, 11)},
            "The lease of Booth 12 is signed on Apr 11, 2026, a day to come: enter the day it was signed.",
        ),
        (
            "offered",
            "sign_fixed",
            {"today": on(4, 18), "signed_on": on(4, 18)},
            "The offer of Booth 12 ran out on Apr 17, 2026: make a new offer.",
        ),
        (
            "offered",
            "sign_fixed",
            {"new_term_ends_on": None},
            "The term of Booth 12 has no last day: set one, or lease by the month.",
        ),
        (
            "offered",
            "sign_fixed",
            {"new_term_ends_on": on(5, 1)},
            "The term of Booth 12 ends on May 1, 2026: choose a day after May 1, 2026.",
        ),
        ("offered", "expire", {}, "The offer of Booth 12 stands through Apr 17, 2026: it has not run out."),
        ("offered", "expire", {"offer_deadline": None}, "The offer of Booth 12 has no deadline: set one first."),
        (
            "fixed",
            "renew",
            {"new_term_ends_on": on(4, 30)},
            "The term of Booth 12 ends on Apr 30, 2026: choose a day after Apr 30, 2026.",
        ),
        ("fixed", "run_on", {}, "The term of Booth 12 runs through Apr 30, 2026: it runs on by the month after that day."),
        ("monthly", "give_notice", {"last_day": None}, "The notice for Booth 12 has no last day: set one."),
        ("monthly", "give_notice", {"notice_refusal": "Too soon."}, "Too soon."),
        (
            "noticed",
            "take_back_notice",
            {"today": on(6, 1)},
            "The last day of Booth 12, May 31, 2026, is past: make a new lease instead.",
        ),
        (
            "noticed",
            "take_back_notice",
            {"promised_to_another": True},
            "Booth 12 is promised to another after May 31, 2026: the notice cannot be taken back.",
        ),
        ("noticed", "move_out", {"moved_out_on": None}, "The day Booth 12 was moved out of is empty: enter it."),
        (
            "noticed",
            "move_out",
            {"moved_out_on": on(4, 11)},
            "Booth 12 is moved out of on Apr 11, 2026, a day to come: enter it when it is done.",
        ),
        ("moved_out", "end", {"deposit_settled": False}, "The lease of Booth 12 cannot end yet: finish the deposit first."),
        (
            "moved_out",
            "end",
            {"deposit_settled": False, "checklist_done": False, "final_statement_made": False},
            "The lease of Booth 12 cannot end yet: finish the moving-out checklist, the final statement and the deposit first.",
        ),
    ],
)
def test_moves_that_are_refused_say_why(state: State, how: Move, more: dict[str, Any], said: str) -> None:
    assert refusal(state, how, replace(GOOD, **more)) == said


def test_every_state_can_reach_its_end_and_only_that_is_last() -> None:
    reach = {"ended"}
    while more := {s for s, moves in MOVES.items() if s not in reach and reach & set(moves.values())}:
        reach |= more
    assert reach == set(MOVES)
    assert [state for state in MOVES if not MOVES[state]] == ["ended"]


@pytest.mark.parametrize(
    ("rule", "given_on", "term", "last"),
    [
        (NoticeRule(30), on(4, 1), None, on(5, 1)),
        (NoticeRule(30, at_month_end=True), on(4, 1), None, on(5, 31)),
        (NoticeRule(30, at_month_end=True), on(3, 31), None, on(4, 30)),
        (NoticeRule(30), on(1, 30), None, on(3, 1)),
        (NoticeRule(30), on(4, 1), on(8, 15), on(8, 15)),
        (NoticeRule(0), on(4, 1), None, on(4, 1)),
    ],
)
def test_the_earliest_last_day(rule: NoticeRule, given_on: date, term: date | None, last: date) -> None:
    assert earliest_last_day(rule, given_on, term) == last
    assert notice_refusal(rule, given_on, last, term) is None


@pytest.mark.parametrize(
    ("rule", "last", "term", "said"),
    [
        (
            NoticeRule(30),
            on(4, 30),
            None,
            "Notice given on Apr 1, 2026 with 30 days to run ends on May 1, 2026 at the earliest, not on",
        ),
        (NoticeRule(30, at_month_end=True), on(5, 1), None, "on the last day of a month ends on May 31, 2026 at the earliest"),
        (NoticeRule(30, at_month_end=True), on(6, 15), None, "Jun 15, 2026 is not the last day of a month: choose Jun 30, 2026."),
        (NoticeRule(30), on(6, 15), on(8, 15), "The lease's term runs through Aug 15, 2026: the last day can be no earlier."),
    ],
)
def test_a_last_day_too_early_is_refused(rule: NoticeRule, last: date, term: date | None, said: str) -> None:
    assert said in (notice_refusal(rule, on(4, 1), last, term) or "")


def test_terms_offers_and_renewals() -> None:
    assert offer_deadline(on(4, 10), 7) == on(4, 17)
    assert term_ends_on(on(3, 1), 6) == on(8, 31)
    assert term_ends_on(date(2025, 8, 31), 6) == on(2, 27)
    assert renewal_notice_by(on(8, 31), NoticeRule(30)) == on(8, 1)
    assert earliest_last_day(NoticeRule(30), on(8, 1), on(8, 31)) == on(8, 31)


@pytest.mark.parametrize(
    ("told", "days", "more", "first"),
    [
        (on(3, 15), 30, {}, on(5, 1)),
        (on(3, 2), 30, {}, on(4, 1)),
        (on(3, 1), 0, {}, on(3, 1)),
        (on(3, 3), 30, {}, on(5, 1)),
        (on(3, 15), 30, {"on_the_first": False}, on(4, 14)),
        (on(3, 15), 30, {"term_ends_on": on(8, 31)}, on(9, 1)),
        (on(11, 15), 30, {}, date(2027, 1, 1)),
    ],
)
def test_when_an_increase_may_begin(told: date, days: int, more: dict[str, Any], first: date) -> None:
    assert increase_from(told, days, **more) == first
    assert told <= increase_told_by(first, days)


def test_bad_terms_are_refused() -> None:
    with pytest.raises(TermsError, match="days of notice are -1: write 0 or more"):
        NoticeRule(-1)
    with pytest.raises(TermsError, match="offer stands 0 days: write 1 or more"):
        offer_deadline(on(4, 1), 0)
    with pytest.raises(TermsError, match="term is 0 months: write 1 or more"):
        term_ends_on(on(4, 1), 0)
    with pytest.raises(TermsError, match="notice of an increase are -1"):
        increase_from(on(4, 1), -1)


OLD_MEMBER = Waiting("Ash", on(1, 4), member_in_good_standing=True)
NEIGHBOUR = Waiting("Birch", on(3, 1), member_in_good_standing=True, next_to_it=True)
LATER_NEIGHBOUR = Waiting("Cedar", on(3, 2), member_in_good_standing=True, next_to_it=True)
STRANGER = Waiting("Dogwood", date(2025, 1, 1))
OWING_NEIGHBOUR = Waiting("Elm", date(2025, 2, 1), next_to_it=True)
ALL = [LATER_NEIGHBOUR, STRANGER, OLD_MEMBER, OWING_NEIGHBOUR, NEIGHBOUR]


@pytest.mark.parametrize(
    ("rules", "order"),
    [
        (("neighbour", "member", "first_come"), "Birch Cedar Ash Dogwood Elm"),
        (("member", "first_come"), "Ash Birch Cedar Dogwood Elm"),
        (("member", "neighbour"), "Birch Cedar Ash Dogwood Elm"),
        (("first_come",), "Dogwood Elm Ash Birch Cedar"),
        (("first_come", "member"), "Dogwood Elm Ash Birch Cedar"),
        ((), "Dogwood Elm Ash Birch Cedar"),
    ],
)
def test_the_waiting_list_by_the_rules_in_their_order(rules: tuple[str, ...], order: str) -> None:
    assert [w.name for w in in_order(ALL, rules)] == order.split()


@pytest.mark.parametrize(
    ("waiting", "rules", "why"),
    [
        (
            ALL,
            ("neighbour", "member", "first_come"),
            "Booth 12 goes to Birch: a member in good standing with a space next to it, the first to come of 2 such, "
            "waiting since Mar 1, 2026.",
        ),
        (
            [OLD_MEMBER, STRANGER],
            ("neighbour", "member", "first_come"),
            "Booth 12 goes to Ash: a member in good standing, the only one of these, waiting since Jan 4, 2026.",
        ),
        (ALL, ("first_come",), "Booth 12 goes to Dogwood: the first to come of 5, waiting since Jan 1, 2025."),
        (
            [OWING_NEIGHBOUR, STRANGER],
            ("neighbour", "member", "first_come"),
            "Booth 12 goes to Dogwood: the first to come of 2, waiting since Jan 1, 2025.",
        ),
        ([STRANGER], ("member",), "Booth 12 goes to Dogwood: the only one it can go to, waiting since Jan 1, 2025."),
    ],
)
def test_who_is_next_and_why(waiting: list[Waiting], rules: tuple[str, ...], why: str) -> None:
    found = next_in_line("Booth 12", waiting, rules)
    assert found is not None
    assert found.why == why
    assert found.who == in_order(waiting, rules)[0]


def test_one_day_s_arrivals_go_by_their_place() -> None:
    twins = [Waiting("Fir", on(1, 1), 2), Waiting("Gum", on(1, 1), 1)]
    assert [w.name for w in in_order(twins)] == ["Gum", "Fir"]


def test_nobody_waits_and_unknown_rules() -> None:
    assert next_in_line("Booth 12", []) is None
    with pytest.raises(TermsError, match="rule 'luck' is not known: choose from neighbour, member, first_come"):
        in_order([], ("luck",))
    with pytest.raises(TermsError, match="rule member stands twice"):
        in_order([], ("member", "member"))
