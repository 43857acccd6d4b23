"""What the last draft of a month said, in words: how near each of its aims came to the best, what it could not cover, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from coop.core.templating import joined
from coop.office.rota_month import MonthOfTurns
from coop.shifts.wording import weekday_of

_AIMS = {
    "cover": "The hours covered",
    "availability": "When members can",
    "holidays": "Holidays in turn",
    "fairness": "Shared out fairly",
    "wishes": "What members would like",
}
_MISSING = {
    "turn": ("turn", "turns", "uncovered"),
    "key holder": ("key holder", "key holders", "missing"),
    "least people": ("person", "people", "fewer than the house wants"),
}


@dataclass(frozen=True)
class Aim:
    """One of the draft's aims: what it costs as drafted, below what it cannot go, and that in words."""

    name: str
    value: int
    bound: int
    words: str


@dataclass(frozen=True)
class Gap:
    """Hours that nobody covers, and the smallest reasons."""

    words: str
    reasons: Sequence[str]


@dataclass(frozen=True)
class Told:
    """What the page says of the last draft."""

    sentence: str
    aims: Sequence[Aim]
    gaps: Sequence[Gap]
    conflicts: Sequence[str]


def outcome_told(it: MonthOfTurns) -> Told | None:
    """The last draft of a month in words; None before the first, while another goes on, and once the rota is published."""
    said: Mapping[str, Any] | None = it.rota.outcome if it.rota else None
    if not said or it.drafting or it.published:
        return None
    return Told(
        _sentence(said),
        [_aim(tier) for tier in said["tiers"]],
        [_gap(one) for one in said["uncovered"]],
        said["conflicts"],
    )


def _sentence(said: Mapping[str, Any]) -> str:
    if not said["found"]:
        return "The time ended before any draft was found, and turns stay as they were: give it more seconds."
    seconds = max(1, round(said["milliseconds"] / 1000))
    moved = said["moved"]
    parts = [
        f"{said['covered']} of {said['turns']} turns are covered",
        f"{moved} {'turn was' if moved == 1 else 'turns were'} moved" if moved else "",
        "it was stopped" if said["stopped"] else "",
    ]
    took = f"The draft took {seconds} {'second' if seconds == 1 else 'seconds'}"
    seed = f", with the seed {said['seed']}" if said["seed"] is not None else ""
    return f"{took}{seed}: {joined([part for part in parts if part])}."


def _aim(tier: Mapping[str, Any]) -> Aim:
    value, bound = tier["value"], tier["bound"]
    if value == 0:
        words = "nothing is missed"
    elif tier["proven"]:
        words = "the best there is"
    else:
        words = f"at most {tier['gap_percent']}% better can be"
    return Aim(_AIMS.get(tier["name"], tier["name"]), value, bound, words)


def _gap(one: Mapping[str, Any]) -> Gap:
    single, several, how = _MISSING.get(one["what"], (one["what"], one["what"], "missing"))
    missing = one["missing"]
    where = f"{weekday_of(date.fromisoformat(one['day']))}, {one['post']}, {one['hours']}"
    return Gap(f"{where}: {missing} {single if missing == 1 else several} {how}", [_reason(why) for why in one["why"]])


def _reason(why: Mapping[str, Any]) -> str:
    more = why["more"]
    names = [*why["names"], *([f"{more} others" if more > 1 else "1 other"] if more else [])]
    if why["words"] == "could":
        return f"{joined(names)} could, and then miss elsewhere"
    return f"{joined(names)}: {why['words']}" if names else why["words"]


def progress_line(it: MonthOfTurns) -> str:
    """How far the draft is, in a sentence."""
    if it.job is None:
        return ""
    if it.job.state == "queued":
        return "The draft waits for its turn."
    if it.drafting:
        done, total = it.job.progress_done, it.job.progress_total
        return f"The draft is going on: {done} of {total} seconds." if total else "The draft is going on."
    return "The draft was not made." if it.job.state == "failed" else ""
