"""Who on the waiting list is next for a space, by the co-op's rules in their order, and why in one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from coop.core.periods import shown_day
from coop.leases.domain.figures import TermsError

NEIGHBOUR, MEMBER, FIRST_COME = RULES = ("neighbour", "member", "first_come")
"""A member in good standing with a space next to it; a member in good standing; who has waited longest."""

_WHY = {
    NEIGHBOUR: "a member in good standing with a space next to it",
    MEMBER: "a member in good standing",
}


@dataclass(frozen=True)
class Waiting:
    """One who waits: since when and in which place of that day, in good standing or not, and next to the space or not."""

    name: str
    since: date
    place: int = 0
    member_in_good_standing: bool = False
    next_to_it: bool = False


@dataclass(frozen=True)
class Next:
    """Who is next, and why as a sentence."""

    who: Waiting
    why: str


def in_order(waiting: Sequence[Waiting], rules: Sequence[str] = RULES) -> list[Waiting]:
    """All who wait, the next first. A rule decides before those after it; who is left equal goes by first come.

    Raises TermsError for an unknown rule or one twice.
    """
    for rule in rules:
        if rule not in RULES:
            raise TermsError(f"The waiting list's rule {rule!r} is not known: choose from neighbour, member, first_come.")
        if list(rules).count(rule) > 1:
            raise TermsError(f"The waiting list's rule {rule} stands twice: keep it once.")
    used = _that_decide(rules)
    return sorted(waiting, key=lambda w: (*(not _has(w, rule) for rule in used), w.since, w.place))


def next_in_line(space: str, waiting: Sequence[Waiting], rules: Sequence[str] = RULES) -> Next | None:
    """Who is to be offered a space, and why; None when nobody waits."""
    ordered = in_order(waiting, rules)
    if not ordered:
        return None
    who, equals, reason = ordered[0], ordered, ""
    for rule in _that_decide(rules):
        has = _has(who, rule)
        equals = [w for w in equals if _has(w, rule) == has]
        reason = reason or (_WHY[rule] if has else "")
    if len(ordered) == 1:
        place = "the only one it can go to"
    elif reason:
        place = "the only one of these" if len(equals) == 1 else f"the first to come of {len(equals)} such"
    else:
        # Who has none of the rules' marks comes first only where nobody has them.
        place = f"the first to come of {len(ordered)}"
    said = ", ".join(part for part in (reason, place) if part)
    return Next(who, f"{space} goes to {who.name}: {said}, waiting since {shown_day(who.since)}.")


def _that_decide(rules: Sequence[str]) -> list[str]:
    """The rules before first come: it leaves no two equal, so nothing after it decides."""
    listed = list(rules)
    return listed[: listed.index(FIRST_COME)] if FIRST_COME in listed else listed


def _has(who: Waiting, rule: str) -> bool:
    return who.member_in_good_standing and (rule == MEMBER or who.next_to_it)
