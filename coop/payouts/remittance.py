"""What each payee is told of a payout, on paper: a page each; the list of checks to write. No account's number is on either."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.csv_text import csv_text, defused
from coop.core.money import plain_cents
from coop.core.pdf import REPLACEMENT, printable, render_pdf
from coop.core.periods import Month
from coop.core.templating import day, dollars, environment, render
from coop.dealers.models import Cooperative, Dealer, PayoutDetail
from coop.floor.models import Mall
from coop.payouts.models import PayoutLine, PayoutRun
from coop.payouts.queries import lines_of

PAPERS = {"letter": "@page { size: letter }", "a4": "@page { size: A4 }"}


@dataclass(frozen=True)
class FromStatement:
    """What a payout takes from one statement; negative where it is taken off for what she owes there."""

    mall_name: str
    number: str
    amount_cents: int


@dataclass(frozen=True)
class Remittance:
    """One payee's page."""

    dealer_code: str
    to: tuple[str, ...]
    """Lines of the address."""
    amount_cents: int
    method: str
    reference: str
    last4: str
    parts: tuple[FromStatement, ...]


@dataclass(frozen=True)
class RemittanceBook:
    """All pages of a run."""

    coop_name: str
    paper: str
    run: int
    month: Month
    pay_on: date
    made_on: date
    pages: tuple[Remittance, ...]


def remittances(session: Session, run: PayoutRun, made_on: date) -> RemittanceBook:
    """A run's pages, by the dealer's code."""
    coop = session.get_one(Cooperative, 1)
    month = Month.of(run.first_day)
    malls = {mall.id: mall for mall in session.scalars(select(Mall))}
    lines = lines_of(session, run)
    dealers = {one.id: one for one in session.scalars(select(Dealer).where(Dealer.id.in_([line.dealer_id for line in lines])))}
    used = select(PayoutDetail).where(PayoutDetail.id.in_([line.detail_id for line in lines if line.detail_id]))
    last4 = {detail.id: detail.account_last4 for detail in session.scalars(used)}
    pages = tuple(_page(line, dealers[line.dealer_id], malls, month, last4.get(line.detail_id or 0, "")) for line in lines)
    return RemittanceBook(coop.name, coop.paper, run.number, month, run.pay_on, made_on, pages)


def _page(line: PayoutLine, dealer: Dealer, malls: dict[int, Mall], month: Month, last4: str) -> Remittance:
    names = [dealer.trade_name] if dealer.trade_name else []
    parts = tuple(
        FromStatement(malls[part.mall_id].name, f"{malls[part.mall_id].code}.{dealer.code}.{month}", part.amount_cents)
        for part in line.parts
    )
    to = (dealer.member.name, *names, *dealer.member.address.splitlines())
    return Remittance(
        dealer.code, to, line.amount_cents, line.method, line.reference, last4 if line.method == "ach" else "", parts
    )


def how(page: Remittance, pay_on: date) -> str:
    """How the money comes, in a sentence."""
    if page.method == "ach":
        return f"It goes to your account ending in {page.last4} by bank transfer on {day(pay_on)}."
    if page.method == "check":
        return f"It comes as check {page.reference}, dated {day(pay_on)}."
    return f"The office gives it to you by hand, from {day(pay_on)} on."


def outcome(page: Remittance, month: Month) -> str:
    return f"{dollars(page.amount_cents)} is paid to you for {month.name}."


# --- paper --------------------------------------------------------------------------------------------------------------


def remittance_html(book: RemittanceBook) -> str:
    """The body's markup of the paper."""
    whole = repr(book)
    return render(
        "pdf/remittance/body.html",
        book=book,
        outcome=outcome,
        how=how,
        replacement=REPLACEMENT if printable(whole).count(REPLACEMENT) > whole.count(REPLACEMENT) else "",
    )


def remittance_pdf(book: RemittanceBook) -> bytes:
    """The pages as one PDF/UA-1 document on the co-op's paper; equal values give equal bytes. Raises PdfError."""
    source, _, _ = environment().loader.get_source(environment(), "pdf/remittance/style.css")  # type: ignore[union-attr]
    title = f"Payouts for {book.month.name}, run {book.run}"
    return render_pdf(remittance_html(book), (source, PAPERS[book.paper]), title=title, created=book.made_on)


def remittance_name(run: PayoutRun) -> str:
    return f"remittances-run-{run.number}.pdf"


# --- checks -------------------------------------------------------------------------------------------------------------

_HEADINGS = ("check", "date", "dealer", "pay to", "amount", "memo")


def checks_csv(session: Session, run: PayoutRun) -> str:
    """The checks of a run to be written, a row each, by number."""
    lines = [line for line in lines_of(session, run) if line.method == "check"]
    wanted = select(Dealer).where(Dealer.id.in_([line.dealer_id for line in lines]))
    return csv_text(_HEADINGS, _check_rows(run, lines, {dealer.id: dealer for dealer in session.scalars(wanted)}))


def _check_rows(run: PayoutRun, lines: Sequence[PayoutLine], dealers: dict[int, Dealer]) -> list[tuple[str, ...]]:
    memo = f"{Month.of(run.first_day).name}, run {run.number}"
    return [
        (
            line.reference,
            run.pay_on.isoformat(),
            dealers[line.dealer_id].code,
            defused(dealers[line.dealer_id].member.name),
            plain_cents(line.amount_cents),
            memo,
        )
        for line in lines
    ]
