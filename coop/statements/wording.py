"""What statements say of charges, what comes next, the year, and how and whether a balance is paid."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from dataclasses import dataclass

from coop.core.templating import MINUS, day, dollars, joined, money, month
from coop.statements.domain import ChargeLine, StatementValue
from coop.statements.domain.lines import RENT_KINDS, YEAR_FIGURES, YearFigure

GROUPS = {
    **dict.fromkeys(RENT_KINDS, "Rent"),
    "overflow": "Overflow",
    "commission": "Commission",
    "card": "Card cost",
    "fee": "Fees",
    "late": "Fees",
    "turn": "Turns",
}
"""What a kind of charge belongs to, in the order in which they are told."""
YEAR_LABELS = {
    "gross": ("Gross sales", "tag prices, before discounts"),
    "net": ("Net sales", "less discounts and returns"),
    "commission": ("Commission", "the co-op’s part of your net sales"),
    "rent": ("Rent", "of your spaces, after discounts"),
    "fees": ("Fees and other charges", "all else that was charged"),
    "paid": ("Paid to you", "payouts, less any that came back"),
    "opening": ("Balance at the year’s beginning", "what you were owed, or owed"),
    "card": ("Card cost", "your part of what cards cost"),
    "turns": ("Turns", "at the desk, worked or missed"),
    "other": ("Fees and other charges", "all else that was charged"),
    "by you": ("Paid by you", "less any check that came back"),
    "else": ("Deposits, corrections and the like", "all else that moved your balance"),
    "tax": ("Tax to file", "sales tax that is yours to file"),
}
_ONLY_IF_ANY = ("fees", "paid", "card", "turns", "other", "by you", "else", "tax")
"""Figures of the year that are told only where there is one."""
LAYAWAY_NOTE = (
    "A buyer has set these aside and pays for them over time. What was paid so far is held by the co-op and is not in your "
    "balance: the price is credited to you when all is paid and the buyer takes the item."
)
_FOOTING = (
    "opening",
    "gross",
    "net",
    "tax",
    "commission",
    "rent",
    "card",
    "turns",
    "other",
    "paid",
    "by you",
    "else",
)
MOST_SPLIT = 3
"""Tickets paid in two ways that the card cost names; of more, each line says it alone."""
DEPOSIT_NOTE = "which is yours and no part of the balance"
TURN_NOTE = "Turns are the times you work at the desk. What they bring or cost you in dollars stands among the charges."


@dataclass(frozen=True)
class SumRow:
    """A line of the sum on the first page."""

    label: str
    working: str
    amount_cents: int


@dataclass(frozen=True)
class ChargeRow:
    """A charge as it is told, or the sum of a group of them."""

    label: str
    working: str
    amount_cents: int
    is_sum: bool = False
    position: int | None = None
    """Which of the value's charges it is; None for a sum."""


@dataclass(frozen=True)
class YearRow:
    label: str
    working: str
    before_cents: int
    month_cents: int
    total_cents: int
    position: int | None = None
    """Which of the value's figures it is; None for the sum."""


# --- what is paid -------------------------------------------------------------------------------------------------------


def outcome(value: StatementValue) -> str:
    """The sentence that matters: what is paid, when and how, or what is carried forward, and why."""
    following = month(value.month.next)
    if value.to_be_paid_cents:
        how = f" {value.pay_how}" if value.pay_how else ""
        paid = f"{dollars(value.to_be_paid_cents)} will be paid to you on {day(value.pay_on or value.made_on)}{how}."
        kept = value.kept_for_rent_cents
        return f"{paid} {dollars(kept)} more is yours and stays for the rent of {following}." if kept else paid
    if value.held:
        return f"{dollars(value.closing_cents)} is yours, but is not paid now. {' '.join(value.held)}"
    if value.kept_for_rent_cents:
        return f"{dollars(value.closing_cents)} is yours and stays for the rent of {following}; nothing is paid now."
    if value.closing_cents > 0:
        return f"{dollars(value.closing_cents)} is yours and is carried forward to {following}; it is not paid now."
    if value.closing_cents < 0:
        return _owing(value, following)
    return "Nothing is to be paid: your balance is $0.00."


AT_OFFICE = "at the office, by check or in cash"
"""How a dealer pays: what `coop.books.payments` takes."""


def _owing(value: StatementValue, following: str) -> str:
    owed = dollars(-value.closing_cents)
    if value.left_on:
        return f"Your lease ended {day(value.left_on)}. {_owing_who_left(value, owed)}"
    if not value.is_full:
        return f"You owe {owed}, which is carried forward to {following}."
    if value.late_after is None:
        nothing = "" if any(line.kind == "late" for line in value.charges) else "Nothing to send now: "
        return f"You owe {owed}. {nothing}{'it' if nothing else 'It'} comes off your next sales. Or pay it {AT_OFFICE}."
    if value.late_after >= value.made_on:
        until = day(value.late_after)
        return f"You owe {owed}. Pay it {AT_OFFICE}, by {until}; else it comes off your next sales, with a late fee."
    since = f"a late fee is charged, for it was not paid by {day(value.late_after)}"
    return f"You owe {owed}, and {since}. It comes off your next sales. Or pay it {AT_OFFICE}."


def _owing_who_left(value: StatementValue, owed: str) -> str:
    """Who left has no next sales: her deposit goes against it first, as whoever settles that does; the rest is to be paid."""
    rest = -value.closing_cents - value.deposit_cents
    if rest <= 0:
        return f"You owe {owed}, which is taken off your deposit of {dollars(value.deposit_cents)} when that is settled."
    first, what = "", owed
    if value.deposit_cents:
        first = f"You owe {owed}, and your deposit of {dollars(value.deposit_cents)} goes against it. "
        what = f"the remaining {dollars(rest)}"
    if value.late_after is None:
        return f"{first}Please pay {what} {AT_OFFICE}: it is due now."
    if value.late_after >= value.made_on:
        return f"{first}Please pay {what} {AT_OFFICE}, by {day(value.late_after)}: after that a late fee is charged."
    return f"{first}Please pay {what} {AT_OFFICE}: it was due by {day(value.late_after)}, and a late fee is charged."


def paid_rows(value: StatementValue) -> list[SumRow]:
    """What becomes of the closing balance where some of it is paid: the two add up to it."""
    if not value.is_full or not value.to_be_paid_cents:
        return []
    how = f", {value.pay_how}" if value.pay_how else ""
    rows = [SumRow("To be paid", f"on {day(value.pay_on or value.made_on)}{how}", value.to_be_paid_cents)]
    if value.carried_cents:
        kept = ", for the rent of that month" if value.kept_for_rent_cents else ""
        rows.append(SumRow("Carried forward", f"to {month(value.month.next)}{kept}", value.carried_cents))
    return rows


def elsewhere_note(value: StatementValue) -> str:
    """That a payout is one sum over malls, for who has an account at several."""
    if not value.elsewhere:
        return ""
    return (
        f"You have an account at {joined(value.elsewhere)} too, with a statement of its own. Your payout is one sum: "
        "what you owe at one mall is taken from what you are owed at another."
    )


# --- charges ------------------------------------------------------------------------------------------------------------


def charge_rows(value: StatementValue) -> list[ChargeRow]:
    """The charges by group, each named by its own; a group of several with its sum."""
    if not value.is_full:
        return [ChargeRow(line.label, line.working, line.amount_cents, position=n) for n, line in enumerate(value.charges)]
    return [dataclasses.replace(row, working=_shown(row, value)) for row in _grouped(value.charges)]


def _shown(row: ChargeRow, value: StatementValue) -> str:
    """A charge's working as it is told: with true minus signs, the card cost by what was paid and what was given back."""
    working = true_minus(row.working)
    if row.position is not None and value.charges[row.position].kind == "card":
        return _card_shown(working, value)
    return working


def _card_shown(working: str, value: StatementValue) -> str:
    """What was paid by card is not what went back to one; and tickets that were paid in two ways, where they are few."""
    given_back = any(line.card_cents for line in value.returns)
    if MINUS in working:
        working = re.sub(rf"{MINUS}(\$\S+) paid by card", r"\1 given back to cards", working)
    elif given_back:
        working = working.replace("paid by card", "paid by card, less what was given back to cards")
    split = {
        line.ticket: f"{'return' if line.tag_cents < 0 else 'ticket'} {line.ticket}: "
        f"{money(abs(line.card_cents))} of {money(abs(line.ticket_cents))}"
        for line in (*value.sales, *value.returns)
        if line.card_cents and line.card_cents != line.ticket_cents
    }
    return "; ".join((working, *split.values())) if 0 < len(split) <= MOST_SPLIT else working


def true_minus(words: str) -> str:
    """Words with the minus of an amount as wide as a figure."""
    return re.sub(r"(?<![\w.-])-(?=\$?\d)", MINUS, words)


def _by_group(lines: tuple[ChargeLine, ...]) -> dict[str, list[ChargeLine]]:
    """The groups there are, in their order."""
    groups = (*dict.fromkeys(GROUPS.values()), "Other charges")
    by_group = {group: [line for line in lines if GROUPS.get(line.kind, groups[-1]) == group] for group in groups}
    return {group: members for group, members in by_group.items() if members}


def _grouped(lines: tuple[ChargeLine, ...]) -> Iterator[ChargeRow]:
    by_group = _by_group(lines)
    places: dict[ChargeLine, list[int]] = {}
    for n, line in enumerate(lines):
        places.setdefault(line, []).append(n)
    for group, members in by_group.items():
        for line in members:
            yield ChargeRow(charge_label(line), line.working, line.amount_cents, position=places[line].pop(0))
        if len(by_group) > 1 and len(members) > 1:
            yield ChargeRow(f"{group} in all", "", sum(line.amount_cents for line in members), is_sum=True)


def group_sums(value: StatementValue) -> str:
    """What the charges are made of: `rent −279.08, commission −127.92`."""
    sums = [(group, sum(line.amount_cents for line in members)) for group, members in _by_group(value.charges).items()]
    return ", ".join(f"{group.lower()} {money(cents)}" for group, cents in sums) or "none"


def charge_label(line: ChargeLine) -> str:
    """`Rent, Booth 12`; a label that names its group already stays as it is."""
    group = GROUPS.get(line.kind, "")
    if line.amount_cents > 0 and line.kind in ("commission", "card"):
        return f"{line.label} given back"
    if not group or group == "Fees" or line.label.casefold().startswith(group.casefold().removesuffix("s")):
        return line.label
    return f"{group}, {'discount' if line.label == 'Discount' else line.label}"


# --- what comes next, and the year --------------------------------------------------------------------------------------


def next_rent_note(value: StatementValue) -> str:
    """When next month's rent is charged, and whether it stays back."""
    following = month(value.month.next)
    if value.kept_for_rent_cents:
        kept = value.kept_for_rent_cents
        whole = "It" if kept == value.next_rent_cents else dollars(kept)
        return f"{whole} stays back from what is paid to you now, as the co-op has set. It is charged in {following}."
    return f"As your leases stand today. It is charged in {following}; nothing is held back for it here."


def no_next_rent(value: StatementValue) -> str:
    """That one who left has no rent to come."""
    if not value.left_on or value.next_rent:
        return ""
    return f"No rent in {month(value.month.next)}: you hold no space."


def year_rows(value: StatementValue) -> list[YearRow]:
    """The year's figures; where they foot, in the order of the sum, with the balance as their sum."""
    figures = {one.what: (n, one) for n, one in enumerate(value.year)}
    if not figures:
        return []
    foots = "opening" in figures
    order = _FOOTING if foots else YEAR_FIGURES
    rows = [
        YearRow(_year_label(value, one), YEAR_LABELS[what][1], one.before_cents, one.month_cents, one.total_cents, n)
        for what in order
        for n, one in [figures[what]]
        if what not in _ONLY_IF_ANY or one.unknown or one.before_cents or one.month_cents
    ]
    if foots:
        words = ("Balance", "all of these but gross sales")
        closing, opening = value.closing_cents, value.opening_cents
        rows.append(YearRow(*words, opening, closing - opening, closing))
    return rows


def _year_label(value: StatementValue, figure: YearFigure) -> str:
    """What a figure is; of one whose first months stayed on paper, since when it counts."""
    label = YEAR_LABELS[figure.what][0]
    return f"{label}, since {month(value.books_from)}" if figure.unknown and value.books_from else label


def year_note(value: StatementValue) -> str:
    """What of the year was brought from paper, and what was not."""
    paper = [(YEAR_LABELS[one.what][0].lower(), one.paper_cents) for one in value.year if one.paper_cents]
    missing = [YEAR_LABELS[one.what][0].lower() for one in value.year if one.unknown]
    said = []
    if paper:
        told = joined([f"{label} {money(cents)}" for label, cents in paper])
        said.append(f"Earlier this year includes what the co-op brought from paper when these books began: {told}.")
    if missing and value.books_from:
        what = joined(missing) if len(missing) < len(value.year) else "the year’s figures"
        said.append(f"{what[:1].upper()}{what[1:]} before {month(value.books_from)} are not in these books.")
    return " ".join(said)
