"""What statements say since they tell the year, what comes next, and how and whether a balance is paid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from coop.core.templating import day, dollars, joined, money, month
from coop.statements.domain import ChargeLine, StatementValue
from coop.statements.domain.lines import RENT_KINDS

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
    "fees": ("Fees and other charges", "all other charges"),
    "paid": ("Paid to you", "payouts, less any that came back"),
}
LAYAWAY_NOTE = (
    "A buyer has set these aside and pays for them over time. What was paid so far is held by the co-op and is not in your "
    "balance: the price is credited to you when all is paid and the buyer takes the item."
)
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
        return f"You owe {dollars(-value.closing_cents)}, which is carried forward to {following}."
    return "Nothing is to be paid: your balance is $0.00."


def paid_rows(value: StatementValue) -> list[SumRow]:
    """What becomes of the closing balance: the two add up to it."""
    if not value.is_full or not value.closing_cents:
        return []
    rows = []
    if value.to_be_paid_cents:
        how = f", {value.pay_how}" if value.pay_how else ""
        rows.append(SumRow("To be paid", f"on {day(value.pay_on or value.made_on)}{how}", value.to_be_paid_cents))
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
    return list(_grouped(value.charges))


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
    return f"As your leases stand today. It is charged in {following}; nothing stays back for it now."


def year_rows(value: StatementValue) -> list[YearRow]:
    return [YearRow(*YEAR_LABELS[one.what], one.before_cents, one.month_cents, one.total_cents) for one in value.year]


def year_note(value: StatementValue) -> str:
    """What of the year was brought from paper."""
    paper = [(YEAR_LABELS[one.what][0].lower(), one.paper_cents) for one in value.year if one.paper_cents]
    if not paper:
        return ""
    told = joined([f"{label} {money(cents)}" for label, cents in paper])
    return f"Earlier this year holds what the co-op brought from paper when these books began: {told}."
