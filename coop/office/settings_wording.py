"""What each house rule does, in a sentence: on the page Settings, and on the page where the rule is set."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coop.books.models import ReleaseRule
from coop.config import Settings
from coop.core.geometry import format_length
from coop.core.money import format_price
from coop.core.templating import day, dollars, joined, percent
from coop.dealers import membership
from coop.dealers.models import Cooperative
from coop.floor.models import AisleWidth
from coop.leases.models import RentRate
from coop.leases.wording import ORDERS, PRORATION, UNITS
from coop.office.money_rules_forms import GOES_TO, NEXT_RENT
from coop.payouts.models import AchOrigin, YearThreshold
from coop.tax.models import TaxPlace, TaxSetting

PAPERS: Mapping[str, str] = {"letter": "US letter", "a4": "A4"}
assert set(PAPERS) == set(membership.PAPERS)
FREQUENCIES: Mapping[str, str] = {"month": "every month", "quarter": "every quarter", "year": "once a year"}
Rule = Callable[[Any], str]


def days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


# --- the co-op ----------------------------------------------------------------------------------------------------------


def coop_sentences(coop: Cooperative) -> dict[str, str]:
    return {
        "name": f"The co-op is called {coop.name}.",
        "commission": f"A new lease pays {percent(coop.commission_percent)} of its net sales, unless it says otherwise.",
        "payout day": f"Payouts are made on day {coop.payout_day} of the next month.",
        "paper": f"Papers are printed on {PAPERS[coop.paper]}.",
    }


# --- money --------------------------------------------------------------------------------------------------------------


MONEY: Mapping[str, Rule] = {
    "Card cost": lambda rules: (
        f"{percent(rules.card_percent)} of what a dealer’s buyers pay by card is charged to the dealer."
        if rules.card_percent
        else "The co-op bears the card cost."
    ),
    "Surcharge": lambda rules: (
        f"A buyer may be charged up to {percent(rules.surcharge_percent)} on top of what is paid by card."
        if rules.surcharge_percent
        else "Nothing is charged on top for paying by card."
    ),
    "By hand": lambda rules: f"An entry by hand of more than {dollars(rules.journal_limit_cents)} needs a second person.",
    "Smallest payout": lambda rules: (
        f"A balance under {dollars(rules.payout_minimum_cents)} is carried forward."
        if rules.payout_minimum_cents
        else "Every balance is paid, however small."
    ),
    "New bank details": lambda rules: (
        f"No money goes to new bank details for {days(rules.bank_wait_days)}."
        if rules.bank_wait_days
        else "New bank details are used at once."
    ),
    "Tax form": lambda rules: (
        "A dealer without a tax form on file is not paid."
        if rules.tax_form_needed
        else "No tax form is asked for before a payout."
    ),
    "Next month’s rent": lambda rules: f"Next month’s rent is {NEXT_RENT[rules.next_rent]}.",
    "Unclaimed sales": lambda rules: f"An unclaimed sale is listed for the manager after {days(rules.unclaimed_days)}.",
    "Checks": lambda rules: f"A check not cashed for {days(rules.stale_days)} is stale, and owed again.",
}
MONEY_GOES_BY: Mapping[str, str] = {
    "Card cost": "the last day of the month charged",
    "Surcharge": "the day of the sale",
    "By hand": "the day the entry is dated",
    "Smallest payout": "the last day of the month the run pays",
    "New bank details": "the last day of the month the run pays",
    "Tax form": "the last day of the month the run pays",
    "Next month’s rent": "the last day of the month paid",
    "Unclaimed sales": "the day of looking",
    "Checks": "the day a check is noted as stale",
}
"""The day whose rules hold."""
assert set(MONEY_GOES_BY) == set(MONEY)


def release(rule: ReleaseRule) -> str:
    leaves = f"may leave after {days(rule.after_days)}, to {GOES_TO[rule.goes_to]}"
    return f"{rule.what.capitalize()} nobody asks for {leaves} ({rule.said_by})."


def threshold(row: YearThreshold) -> str:
    counted = f" and at least {row.least_count:,} sales" if row.least_count else ""
    return f"{row.kind.capitalize()} of {dollars(row.amount_cents)} a year{counted} are looked at ({row.said_by})."


def origin(row: AchOrigin) -> str:
    balanced = "with the debit of the co-op’s own account" if row.balanced else "without a debit of the co-op’s own account"
    return f"Transfers go through {row.bank_name} in the name of {row.company_name}, {balanced}."


# --- leases -------------------------------------------------------------------------------------------------------------


def _late(rules: Any) -> str:
    if rules.late_how == "none":
        return "There is no late fee."
    parts = []
    if rules.late_how in ("flat", "greater"):
        parts.append(dollars(rules.late_flat_cents))
    if rules.late_how in ("percent", "greater"):
        parts.append(f"{percent(rules.late_percent)} of what is late")
    more = ", whichever is more" if rules.late_how == "greater" else ""
    when = "once a month; never on a fee, nor while a charge is in dispute"
    return f"Rent not paid by day {rules.late_after_day} costs {joined(parts, 'or')}{more}, {when}."


def _deposit(rules: Any) -> str:
    if not rules.deposit_months:
        return "No deposit is taken."
    months = percent(rules.deposit_months).removesuffix("%")
    return f"A deposit is {months} {'month’s' if rules.deposit_months == 1 else 'months’'} rent."


def _order(rules: Any) -> str:
    order = ",".join(rules.waiting_order)
    return f"A vacant space is offered first to {ORDERS.get(order, order)}."


LEASES: Mapping[str, Rule] = {
    "Rent": lambda rules: (
        f"Rent is posted on the {'first' if rules.rent_posts == 'advance' else 'last'} day of its month; "
        f"a part of a month is charged {PRORATION[rules.proration]}."
    ),
    "Notice": lambda rules: (
        f"A lease ends with {days(rules.notice_days)} of notice{', to the end of a month' if rules.notice_to_month_end else ''}."
    ),
    "Increase": lambda rules: f"An increase is told {days(rules.increase_days)} before.",
    "Renewal": lambda rules: f"A renewal is asked for {days(rules.renewal_days)} before a term ends.",
    "Deposit": _deposit,
    "Late fee": _late,
    "Offers": lambda rules: f"An offer stands {days(rules.offer_days)}.",
    "Waiting list": _order,
    "Moving out": lambda rules: (
        f"Whoever moves out goes through a list: {'; '.join(rules.checklist)}."
        if rules.checklist
        else "Nothing is listed for moving out."
    ),
}


def rate(row: RentRate) -> str:
    return f"Zone {row.zone} costs ${format_price(row.price)} {UNITS[row.per]}."


def aisle(row: AisleWidth) -> str:
    which = f"Aisle {row.aisle} is" if row.aisle else "Every aisle is"
    return f"{which} kept {format_length(row.required_clear_in16)} clear{f' ({row.said_by})' if row.said_by else ''}."


# --- tax ----------------------------------------------------------------------------------------------------------------


def place(row: TaxPlace) -> str:
    names = joined([one.name for one in row.jurisdictions])
    how = "each item" if row.basis == "item" else "the whole ticket"
    return f"Sales are taxed by {names}, rounded for {how}." if names else "Nobody taxes sales here."


def tax_setting(row: TaxSetting) -> str:
    who = "The co-op owes the tax" if row.owed_by == "coop" else "Each dealer owes the tax on what that dealer sold"
    if not row.office:
        return f"{who}, and no return is drawn up."
    months = "month" if row.due_months_after == 1 else f"{row.due_months_after} months"
    return f"{who}; a return goes to {row.office} {FREQUENCIES[row.frequency]}, by day {row.due_day} of the {months} after."


# --- how it runs --------------------------------------------------------------------------------------------------------


def mail_sentences(settings: Settings) -> dict[str, str]:
    if settings.smtp_host:
        locked = {"tls": "over TLS", "starttls": "with STARTTLS", "none": "unencrypted"}[settings.smtp_security]
        goes = f"Mail goes out through {settings.smtp_host}, port {settings.smtp_port}, {locked}, from {settings.mail_from}."
    else:
        goes = "No mail leaves the house: letters are written to the post-box in the co-op’s folder, and shown under Letters."
    if settings.web_address:
        links = f"Links in mails begin with {settings.web_address}."
    else:
        links = (
            "It is not said where people reach these pages, so nobody can ask at the sign-in page for a link when a passphrase "
            "is lost: the manager sends it. COOP_WEB_ADDRESS says it."
        )
    return {"Letters": goes, "Links": links}


def running_sentences(settings: Settings, version: str, revision: str) -> dict[str, str]:
    kept = "one file of the co-op’s folder (SQLite)" if settings.is_sqlite else "a PostgreSQL server"
    work = "by processes beside the pages" if settings.jobs == "embedded" else "by Celery workers"
    return {
        "Backups": "A backup is made by the command coop backup, while the co-op runs; nothing makes one by itself.",
        "Data": f"The books are kept in {kept}; work in the background is done {work}.",
        "Version": f"This is coop {version}, with the database at revision {revision or 'none'}.",
    }


def zone_sentence(timezone: str) -> str:
    return f"Days begin and end by the clock of {timezone}."


def since(moment_day: Any) -> str:
    return f"since {day(moment_day)}"
