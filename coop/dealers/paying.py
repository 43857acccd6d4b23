"""How each dealer is paid, and her tax form: appended, never changed, numbers sealed; who changed or saw one is in the log."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from stdnum.us import ein, itin, rtn, ssn

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.mail import queue_mail
from coop.core.sealed_text import FieldKeys
from coop.core.templating import render
from coop.dealers.models import Cooperative, Dealer, PayoutDetail, TaxForm

METHODS: Mapping[str, str] = {"ach": "by bank transfer", "check": "by check", "hand": "by hand"}
HOLDERS = ("person", "business")
ACCOUNT_KINDS = ("checking", "savings")
FORMS = ("W-9", "W-8", "other")
NUMBERS: Mapping[str, str] = {
    "SSN": "social security number (SSN)",
    "EIN": "employer identification number (EIN)",
    "ITIN": "individual taxpayer number (ITIN)",
}
_CHECKS = {"SSN": ssn, "EIN": ein, "ITIN": itin}
_ACCOUNT = re.compile(r"\d{4,17}", re.ASCII)


@dataclass(frozen=True)
class Paying:
    """How a dealer is to be paid, as it is typed. The bank's numbers are for `ach` only."""

    method: str
    holder: str = "person"
    """Whose the account is: a person's or a business's."""
    routing: str = field(default="", repr=False)
    account: str = field(default="", repr=False)
    account_kind: str = ""


# --- how she is paid ----------------------------------------------------------------------------------------------------


def require_paying(paying: Paying) -> None:
    """Refuses, naming the field, a way of paying there is not, and numbers no bank would take."""
    if paying.method not in METHODS:
        raise Refusal(f"A dealer is paid {', '.join(METHODS.values())}, not {paying.method!r}.")
    if paying.holder not in HOLDERS:
        raise Refusal(f"The holder of the account is a {' or a '.join(HOLDERS)}, not {paying.holder!r}.")
    if paying.method != "ach":
        return
    if len(paying.routing) != 9 or not (paying.routing.isascii() and paying.routing.isdigit()):
        raise Refusal("The routing number has nine digits: it stands at the bottom left of a check.")
    if not rtn.is_valid(paying.routing):
        raise Refusal(
            "A digit of the routing number is wrong: its last digit does not check the others. Compare it with a check."
        )
    if not _ACCOUNT.fullmatch(paying.account):
        raise Refusal("The account number has 4 to 17 digits, without spaces or dashes.")
    if paying.account_kind not in ACCOUNT_KINDS:
        raise Refusal(f"The kind of account is {' or '.join(ACCOUNT_KINDS)}: say which.")


def set_detail(
    session: Session,
    now: datetime,
    keys: FieldKeys,
    dealer: Dealer,
    paying: Paying,
    *,
    mail_domain: str,
    reason: str = "",
    user_id: int | None = None,
) -> PayoutDetail:
    """Pay a dealer so from now on, and write to her that it changed. What says the same as the newest changes nothing.
    `reason` is why the office changed it, for the log.

    Refuses what `require_paying` does.
    """
    require_paying(paying)
    # One change at a time: a form sent twice is one.
    session.execute(select(Dealer.id).where(Dealer.id == dealer.id).with_for_update(key_share=True))
    ach = paying.method == "ach"
    newest = detail_of(session, dealer.id)
    if newest is not None and _same(keys, newest, paying):
        return newest
    detail = PayoutDetail(
        dealer_id=dealer.id,
        method=paying.method,
        holder=paying.holder,
        routing=paying.routing if ach else "",
        account_kind=paying.account_kind if ach else "",
        account_sealed=keys.seal(paying.account) if ach else "",
        account_last4=paying.account[-4:] if ach else "",
        changed_by=user_id,
        changed_at=now,
    )
    session.add(detail)
    session.flush()
    said = f"{how_paid(detail)}: {reason}" if reason else how_paid(detail)
    audit.record(session, now, "payout details changed", "dealer", dealer.code, user_id=user_id, detail=said)
    _tell(session, now, dealer, detail, mail_domain)
    return detail


def _same(keys: FieldKeys, newest: PayoutDetail, paying: Paying) -> bool:
    if newest.method != paying.method or newest.method != "ach":
        return newest.method == paying.method
    stands = (newest.holder, newest.routing, newest.account_kind, newest.account_last4)
    if stands != (paying.holder, paying.routing, paying.account_kind, paying.account[-4:]):
        return False
    try:
        return account_of(keys, newest) == paying.account
    except Refusal:
        return False  # Sealed under a key that is lost: entering the number again is the mend.


def _tell(session: Session, now: datetime, dealer: Dealer, detail: PayoutDetail, mail_domain: str) -> None:
    """To whoever gets her letters: a change she knows nothing of is then found before money goes astray. It holds no numbers."""
    if not dealer.member.email:
        return
    coop = session.get(Cooperative, 1)
    values = {"dealer": dealer, "how": how_paid(detail), "coop_name": coop.name if coop else ""}
    queue_mail(
        session,
        now,
        key=f"payout-details/{dealer.code}/{detail.id}",
        kind="payout details",
        recipient=dealer.member.email,
        subject=" ".join(render("email/payout_details/subject.txt", **values).split())[:200],
        text_body=render("email/payout_details/body.txt", **values).strip() + "\n",
        html_body=render("email/payout_details/body.html", **values),
        mail_domain=mail_domain,
    )


def detail_of(session: Session, dealer_id: int) -> PayoutDetail | None:
    """How a dealer is paid now; None when nothing is on file."""
    newest = select(PayoutDetail).where(PayoutDetail.dealer_id == dealer_id).order_by(PayoutDetail.id.desc()).limit(1)
    return session.scalar(newest)


def details_of(session: Session, dealer_ids: Collection[int] | None = None) -> dict[int, PayoutDetail]:
    """How each dealer, or each of these, is paid now, by dealer id; those with nothing on file are not there."""
    newest = select(func.max(PayoutDetail.id)).group_by(PayoutDetail.dealer_id)
    if dealer_ids is not None:
        newest = newest.where(PayoutDetail.dealer_id.in_(dealer_ids))
    rows = session.scalars(select(PayoutDetail).where(PayoutDetail.id.in_(newest)))
    return {row.dealer_id: row for row in rows}


def detail_history(session: Session, dealer_id: int) -> Sequence[PayoutDetail]:
    """Every way a dealer was paid, the newest first."""
    return session.scalars(select(PayoutDetail).where(PayoutDetail.dealer_id == dealer_id).order_by(PayoutDetail.id.desc())).all()


def how_paid(detail: PayoutDetail | None) -> str:
    """`by bank transfer`, `by check` (also where nothing is on file), `by hand`."""
    return METHODS["check" if detail is None else detail.method]


def masked(detail: PayoutDetail | None) -> str:
    """`checking account ending 6789`; empty for one who is not paid by transfer."""
    if detail is None or detail.method != "ach":
        return ""
    return f"{detail.account_kind} account ending {detail.account_last4}"


def account_of(keys: FieldKeys, detail: PayoutDetail) -> str:
    """The account's whole number, for the bank's file. Refuses one that was sealed under another key, or is another's."""
    number = keys.open(detail.account_sealed)
    if number[-4:] != detail.account_last4:
        raise Refusal(
            f"Payout detail {detail.id} does not hold the account ending {detail.account_last4} that was entered: enter it again."
        )
    return number


def reveal_account(session: Session, now: datetime, keys: FieldKeys, dealer: Dealer, *, user_id: int | None) -> str:
    """The whole number, for a person to read; the log says who did."""
    detail = detail_of(session, dealer.id)
    if detail is None or not detail.account_sealed:
        raise Refusal(f"There is no bank account of {dealer.code} on file.")
    number = account_of(keys, detail)
    audit.record(session, now, "bank account seen", "dealer", dealer.code, user_id=user_id, detail=f"ending {number[-4:]}")
    return number


# --- tax forms ----------------------------------------------------------------------------------------------------------


def record_tax_form(
    session: Session,
    now: datetime,
    keys: FieldKeys,
    dealer: Dealer,
    *,
    form: str,
    received_on: date,
    number_kind: str = "",
    number: str = "",
    user_id: int | None = None,
) -> TaxForm:
    """Write down that a dealer's tax form came, with its number where it is to be kept here.

    Refuses an unknown form, and a number that is none of its kind.
    """
    if form not in FORMS:
        raise Refusal(f"The form is one of {', '.join(FORMS)}, not {form!r}.")
    plain = plain_number(number_kind, number) if number else ""
    row = TaxForm(
        dealer_id=dealer.id,
        form=form,
        received_on=received_on,
        number_sealed=keys.seal(plain) if plain else "",
        number_last4=plain[-4:],
        entered_by=user_id,
        entered_at=now,
    )
    session.add(row)
    session.flush()
    audit.record(
        session, now, "tax form on file", "dealer", dealer.code, user_id=user_id, detail=f"{form}, received {received_on}"
    )
    return row


def plain_number(kind: str, number: str) -> str:
    """A tax number in its written form, such as 91-1144442. Refuses one that cannot be of that kind."""
    if kind not in NUMBERS:
        raise Refusal("Say what kind of number it is: SSN, EIN or ITIN.")
    check = _CHECKS[kind]
    if not number.isascii() or not check.is_valid(number):
        raise Refusal(f"The number is no {NUMBERS[kind]}: compare its nine digits with the form.")
    written: str = check.format(check.compact(number))
    return written


def form_of(session: Session, dealer_id: int) -> TaxForm | None:
    newest = select(TaxForm).where(TaxForm.dealer_id == dealer_id).order_by(TaxForm.id.desc()).limit(1)
    return session.scalar(newest)


def forms_of(session: Session, dealer_ids: Collection[int] | None = None) -> dict[int, TaxForm]:
    """The tax form on file of each dealer, or of each of these, by dealer id; those without are not there."""
    newest = select(func.max(TaxForm.id)).group_by(TaxForm.dealer_id)
    if dealer_ids is not None:
        newest = newest.where(TaxForm.dealer_id.in_(dealer_ids))
    return {row.dealer_id: row for row in session.scalars(select(TaxForm).where(TaxForm.id.in_(newest)))}


def reveal_tax_number(session: Session, now: datetime, keys: FieldKeys, dealer: Dealer, *, user_id: int | None) -> str:
    """The whole number of the form on file, for a person to read; the log says who did."""
    form = form_of(session, dealer.id)
    if form is None or not form.number_sealed:
        raise Refusal(f"There is no tax number of {dealer.code} on file.")
    number = keys.open(form.number_sealed)
    audit.record(session, now, "tax number seen", "dealer", dealer.code, user_id=user_id, detail=f"{form.form}")
    return number
