"""The states of a lease, from the waiting list to its end, and the moves between them, each refused in a sentence.

    waiting -> offered -> fixed or monthly -> noticed -> moved_out -> ended

An offer that is declined or runs out goes back to waiting. A fixed term is renewed or runs on by the month. Notice can be taken
back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from coop.core.periods import shown_day

State = Literal["waiting", "offered", "fixed", "monthly", "noticed", "moved_out", "ended"]
Move = Literal[
    "offer",
    "withdraw",
    "sign_fixed",
    "sign_monthly",
    "decline",
    "expire",
    "renew",
    "run_on",
    "give_notice",
    "take_back_notice",
    "move_out",
    "end",
]

MOVES: Mapping[State, Mapping[Move, State]] = {
    "waiting": {"offer": "offered", "withdraw": "ended"},
    "offered": {
        "sign_fixed": "fixed",
        "sign_monthly": "monthly",
        "decline": "waiting",
        "expire": "waiting",
        "withdraw": "ended",
    },
    "fixed": {"renew": "fixed", "run_on": "monthly", "give_notice": "noticed"},
    "monthly": {"renew": "fixed", "give_notice": "noticed"},
    "noticed": {"take_back_notice": "monthly", "move_out": "moved_out"},
    "moved_out": {"end": "ended"},
    "ended": {},
}

_STATE_WORDS: Mapping[State, str] = {
    "waiting": "An application on the waiting list",
    "offered": "An offer",
    "fixed": "A lease for a fixed term",
    "monthly": "A lease by the month",
    "noticed": "A lease under notice",
    "moved_out": "A lease that was moved out of",
}
_MOVE_WORDS: Mapping[Move, str] = {
    "offer": "be offered a space",
    "withdraw": "be withdrawn",
    "sign_fixed": "be signed for a fixed term",
    "sign_monthly": "be signed by the month",
    "decline": "be declined",
    "expire": "run out",
    "renew": "be renewed for a term",
    "run_on": "run on by the month",
    "give_notice": "be put under notice",
    "take_back_notice": "have its notice taken back",
    "move_out": "be moved out of",
    "end": "be ended",
}


@dataclass(frozen=True)
class Facts:
    """What a move is judged by; only what the move asks for needs to be said.

    `notice_refusal` is what `notice.notice_refusal` says of the last day asked for.
    """

    today: date
    space: str = "The space"
    space_free_from: date | None = None
    """The first day nobody holds it; None when that is not known."""
    starts_on: date | None = None
    offered_to_another: bool = False
    offer_deadline: date | None = None
    signed_by: str = ""
    signed_on: date | None = None
    term_ends_on: date | None = None
    """The fixed term's last day; for `renew` that of the term that runs out, None by the month."""
    new_term_ends_on: date | None = None
    last_day: date | None = None
    notice_refusal: str | None = None
    promised_to_another: bool = False
    moved_out_on: date | None = None
    checklist_done: bool = False
    final_statement_made: bool = False
    deposit_settled: bool = False


@dataclass(frozen=True)
class Dates:
    """A signed or unsigned lease's dates, which say what it is on a day."""

    starts_on: date
    term_ends_on: date | None = None
    ends_on: date | None = None
    moved_out_on: date | None = None
    settled_on: date | None = None


def state_on(dates: Dates, today: date) -> State:
    """What a lease is on a day. One that has a last day is under notice, until it was moved out of."""
    if dates.settled_on is not None and dates.settled_on <= today:
        return "ended"
    if dates.moved_out_on is not None and dates.moved_out_on <= today:
        return "moved_out"
    if dates.ends_on is not None:
        return "noticed"
    return "fixed" if dates.term_ends_on is not None and today <= dates.term_ends_on else "monthly"


def refusal(state: State, how: Move, facts: Facts) -> str | None:
    """Why a move cannot be made now, as a sentence with the mend; None when it can."""
    if how not in MOVES[state]:
        known = [_MOVE_WORDS[name] for name in MOVES[state]]
        if not known:
            return "The lease has ended: nothing more can be done with it; make a new one."
        return f"{_STATE_WORDS[state]} cannot {_MOVE_WORDS[how]}: it can {_joined(known, 'or')}."
    if how == "offer":
        return _offer_refusal(facts)
    if how in ("sign_fixed", "sign_monthly"):
        return _signing_refusal(how, facts)
    if how == "expire":
        if facts.offer_deadline is None:
            return f"The offer of {facts.space} has no deadline: set one first."
        if facts.today <= facts.offer_deadline:
            return f"The offer of {facts.space} stands through {shown_day(facts.offer_deadline)}: it has not run out."
        return None
    if how in ("renew", "run_on"):
        return _term_refusal(how, facts)
    if how in ("give_notice", "take_back_notice"):
        return _notice_refusal(how, facts)
    if how in ("move_out", "end"):
        return _leaving_refusal(how, facts)
    return None


def _offer_refusal(facts: Facts) -> str | None:
    if facts.offered_to_another:
        return f"{facts.space} is offered to another: wait for the answer or let that offer run out."
    if facts.offer_deadline is None:
        return f"The offer of {facts.space} has no deadline: set the last day to answer."
    if facts.offer_deadline < facts.today:
        return f"The deadline {shown_day(facts.offer_deadline)} of the offer of {facts.space} is past: choose a day to come."
    return _free_refusal(facts)


def _free_refusal(facts: Facts) -> str | None:
    if facts.starts_on is None:
        return f"The lease of {facts.space} has no first day: set one."
    if facts.space_free_from is None:
        return f"{facts.space} is leased with no last day: wait for notice, or offer another space."
    if facts.starts_on < facts.space_free_from:
        return f"{facts.space} is free from {shown_day(facts.space_free_from)}: begin then, not on {shown_day(facts.starts_on)}."
    return None


def _signing_refusal(how: Move, facts: Facts) -> str | None:
    if not facts.signed_by.strip() or facts.signed_on is None:
        return f"The lease of {facts.space} is not signed: enter the name and the day it was signed."
    if facts.signed_on > facts.today:
        return (
            f"The lease of {facts.space} is signed on {shown_day(facts.signed_on)}, a day to come: enter the day it was signed."
        )
    if facts.offer_deadline is not None and facts.signed_on > facts.offer_deadline:
        return f"The offer of {facts.space} ran out on {shown_day(facts.offer_deadline)}: make a new offer."
    said = _free_refusal(facts)
    if said is None and how == "sign_fixed":
        said = _new_term_refusal(facts, facts.starts_on)
    return said


def _new_term_refusal(facts: Facts, after: date | None) -> str | None:
    if facts.new_term_ends_on is None:
        return f"The term of {facts.space} has no last day: set one, or lease by the month."
    if after is not None and facts.new_term_ends_on <= after:
        return f"The term of {facts.space} ends on {shown_day(facts.new_term_ends_on)}: choose a day after {shown_day(after)}."
    return None


def _term_refusal(how: Move, facts: Facts) -> str | None:
    if how == "renew":
        return _new_term_refusal(facts, facts.term_ends_on or facts.today)
    if facts.term_ends_on is not None and facts.today <= facts.term_ends_on:
        return f"The term of {facts.space} runs through {shown_day(facts.term_ends_on)}: it runs on by the month after that day."
    return None


def _notice_refusal(how: Move, facts: Facts) -> str | None:
    if facts.last_day is None:
        return f"The notice for {facts.space} has no last day: set one."
    if how == "give_notice":
        return facts.notice_refusal
    if facts.today > facts.last_day:
        return f"The last day of {facts.space}, {shown_day(facts.last_day)}, is past: make a new lease instead."
    if facts.promised_to_another:
        return f"{facts.space} is promised to another after {shown_day(facts.last_day)}: the notice cannot be taken back."
    return None


def _leaving_refusal(how: Move, facts: Facts) -> str | None:
    if how == "move_out":
        if facts.moved_out_on is None:
            return f"The day {facts.space} was moved out of is empty: enter it."
        if facts.moved_out_on > facts.today:
            return f"{facts.space} is moved out of on {shown_day(facts.moved_out_on)}, a day to come: enter it when it is done."
        return None
    missing = [
        words
        for done, words in (
            (facts.checklist_done, "the moving-out checklist"),
            (facts.final_statement_made, "the final statement"),
            (facts.deposit_settled, "the deposit"),
        )
        if not done
    ]
    return f"The lease of {facts.space} cannot end yet: finish {_joined(missing, 'and')} first." if missing else None


def _joined(words: list[str], last: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"
