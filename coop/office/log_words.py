"""The log in words: what was done, what it was done to, what kind of thing that is; and the page of it, where one exists."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from flask import url_for
from sqlalchemy import ColumnElement, String, case, cast, literal, select, union_all
from sqlalchemy.orm import Session
from werkzeug.routing import BuildError

from coop.core.audit import AuditLog
from coop.core.periods import Month
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, Offer, Waiting
from coop.overflow.models import BayRow, OverflowDraft, OverflowRequest, OverflowRule, Stay, Walk
from coop.sales.models import Claim, GiftCertificate, TicketLine

_DEEDS = {
    "mail.resend": "letter sent again",
    "tax.import-applied": "tax file applied",
    "tax.import-undone": "tax file undone",
}
"""Actions that are no words; all others are written down as they read."""
DEED: ColumnElement[str] = case(_DEEDS, value=AuditLog.action, else_=AuditLog.action)
"""What was done, as it is read and looked for."""


def deed(action: str) -> str:
    return _DEEDS.get(action, action)


KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "people": ("Signing in", ("user", "calendar feed")),
    "dealers": ("Dealers", ("dealer",)),
    "settings": ("The co-op and its malls", ("co-op", "mall")),
    "floor": ("Floor", ("space", "floor plan")),
    "leases": ("Leases", ("lease", "offer", "waiting", "lease rules", "rent rate", "price index")),
    "turns": ("Turns and the rota", ("turn", "rota", "rules of turns", "opening hours", "post", "member")),
    "resets": (
        "Booth resets",
        (
            "piece",
            "smalls",
            "booth measure",
            "booth set",
            "reset",
            "way to the van",
            "staging floor",
            "reset time",
            "reset settings",
        ),
    ),
    "overflow": (
        "Overflow in the aisles",
        ("rules of overflow", "bay", "overflow request", "overflow stay", "overflow draft", "overflow walk"),
    ),
    "letters": ("Letters and questions", ("letter", "outbox", "question")),
    "sales": ("Sales", ("import", "claim", "ticket line", "gift certificate", "layaway", "drawer", "device")),
    "tax": (
        "Tax",
        (
            "tax import",
            "tax_import",
            "tax certificate",
            "tax place",
            "tax return",
            "tax office",
            "jurisdiction",
            "tax setting",
        ),
    ),
    "books": ("Books", ("journal", "opening", "money rules", "release rule", "sealed numbers")),
    "bank": ("Bank", ("bank", "bank file", "bank line", "bank month")),
    "months": ("Month-end", ("month", "month close")),
    "payouts": ("Payouts", ("payout run", "patronage", "release", "year threshold", "ach origin")),
    "work": ("Work in the background", ("job",)),
}
"""Kinds of what was done: words, and the things they are done to."""


def of_kind(kind: str) -> ColumnElement[bool]:
    return AuditLog.subject_kind.in_(KINDS[kind][1])


# --- what it was done to ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class About:
    """A thing as people call it, and its page; empty where there is none."""

    words: str
    address: str = ""


@dataclass(frozen=True)
class _Where:
    """What an address needs beside what the log says: the mall's code, and another key where it goes by one."""

    code: str
    key: str = ""


def abouts(session: Session, lines: Iterable[AuditLog]) -> dict[int, About]:
    """What each line of the log is about, by its id. One query, however many lines there are."""
    rows = list(lines)
    found = _found(session, rows)
    return {line.id: _about(line, found.get((line.subject_kind, line.subject_id))) for line in rows}


def _about(line: AuditLog, where: _Where | None) -> About:
    kind, subject = line.subject_kind, line.subject_id
    try:
        words = _words(kind, subject, where)
        make = _PAGES.get(kind)
        address = make(subject, where) if make is not None else ""
    except (BuildError, ValueError):
        # A subject of another time, or of a thing that is gone: it is called as it stands in the log.
        return About(_as_it_stands(kind, subject))
    return About(words, address)


def _words(kind: str, subject: str, where: _Where | None) -> str:
    """What a thing is called. ValueError where its subject names no month, and should."""
    if kind in ("month", "month close"):
        code, _, month = subject.rpartition(" ")
        return f"{Month.parse(month).name}, {code}"
    if kind == "rota":
        code, _, month = subject.rpartition(" ")
        return f"rota of {Month.parse(month).name}, {code}"
    if kind == "bank month" and subject[:1].isdecimal():
        return f"bank, {Month.parse(subject).name}"
    if kind == "co-op":
        return "the co-op"
    if kind == "space" and where is not None:
        return f"space {where.key}, {where.code}"
    if kind == "floor plan" and where is not None:
        return f"plan of {where.code}"
    if kind == "lease" and where is not None:
        return f"lease {subject} at {where.code}"
    return _as_it_stands(kind, subject)


def _as_it_stands(kind: str, subject: str) -> str:
    return f"{_CALLED.get(kind, kind)} {subject}".strip()


_CALLED = {
    "outbox": "letter",
    "journal": "entry by hand",
    "waiting": "wish",
    "tax_import": "tax file",
    "tax import": "tax file",
    "month close": "month",
}


def _named(argument: str, value: str) -> dict[str, Any]:
    return {argument: value} if argument else {}


def _mall_page(endpoint: str) -> Callable[[str, _Where | None], str]:
    return lambda _subject, where: url_for(endpoint, mall_code=where.code) if where else ""


def _parted(endpoint: str, argument: str, mark: str = "/") -> Callable[[str, _Where | None], str]:
    """A page whose subject is the mall's code and something of it."""

    def page(subject: str, _where: _Where | None) -> str:
        code, _, rest = subject.partition(mark)
        return url_for(endpoint, mall_code=code, **_named(argument, rest))

    return page


def _plain(endpoint: str, argument: str = "") -> Callable[[str, _Where | None], str]:
    return lambda subject, _where: url_for(endpoint, **_named(argument, subject))


def _of_month(subject: str, _where: _Where | None) -> str:
    code, _, month = subject.rpartition(" ")
    return url_for("office.month", mall_code=code, month=Month.parse(month))


def _of_rota(subject: str, _where: _Where | None) -> str:
    code, _, month = subject.rpartition(" ")
    return url_for("rota.month", mall_code=code, month=Month.parse(month))


def _placed(endpoint: str, argument: str) -> Callable[[str, _Where | None], str]:
    """A page of a mall that goes by the subject's own number."""
    return lambda subject, where: url_for(endpoint, mall_code=where.code, **_named(argument, subject)) if where else ""


_PAGES: dict[str, Callable[[str, _Where | None], str]] = {
    "co-op": _plain("settings.first"),
    "dealer": _plain("dealers.dealer", "code"),
    "mall": _parted("floor.plan", ""),
    "floor plan": _mall_page("floor.plan"),
    "space": lambda _subject, where: url_for("floor.space", mall_code=where.code, code=where.key) if where else "",
    "lease": _placed("leases.lease", "lease_id"),
    "offer": _placed("leases.offer", "offer_id"),
    "waiting": _mall_page("leases.waiting"),
    "outbox": _plain("office.letter", "mail_id"),
    "question": _plain("questions.question", "question_id"),
    "claim": lambda _subject, where: url_for("sales.line", mall_code=where.code, line_id=where.key) if where else "",
    "gift certificate": lambda _subject, where: url_for("sales.certificate", certificate_id=where.key) if where else "",
    "layaway": _parted("layaways.layaway", "number"),
    "drawer": _parted("drawers.listed", ""),
    "device": _parted("drawers.listed", ""),
    "tax import": _plain("tax.proposal", "import_id"),
    "tax_import": _plain("tax.proposal", "import_id"),
    "tax certificate": _plain("tax.certificate", "certificate_id"),
    "tax place": _plain("tax.places"),
    "tax return": _plain("tax.filed", "number"),
    "jurisdiction": _plain("tax.jurisdiction", "code"),
    "journal": _plain("books.by_hand", "journal_id"),
    "opening": _plain("opening.page"),
    "money rules": _plain("books.rules"),
    "release rule": _plain("books.rules"),
    "bank line": _plain("bank.line", "line_id"),
    "bank file": _plain("bank.files"),
    "bank month": lambda subject, _where: url_for("bank.month", month=Month.parse(subject)),
    "month": _of_month,
    "month close": _of_month,
    "rota": _of_rota,
    "rules of overflow": _mall_page("overflow.rules"),
    "bay": _parted("overflow.bay", "code", " "),
    "overflow stay": _placed("overflow.stay", "stay_id"),
    "overflow request": _placed("overflow.asked", "asked_id"),
    "overflow draft": _mall_page("overflow.draft"),
    "overflow walk": _mall_page("overflow.walks"),
    "payout run": _plain("payouts.run", "number"),
    "patronage": _plain("year.shares", "number"),
    "release": _plain("releases.first"),
}


_OF_FLOOR: dict[str, Any] = {
    "rules of overflow": OverflowRule,
    "overflow request": OverflowRequest,
    "overflow draft": OverflowDraft,
    "overflow walk": Walk,
}
"""Rows of a mall's lent floor that the log calls by their number."""


def _found(session: Session, lines: Iterable[AuditLog]) -> dict[tuple[str, str], _Where]:
    """Where things are whose address the log alone does not tell."""
    ids: dict[str, set[int]] = {
        "space": set(),
        "lease": set(),
        "offer": set(),
        "waiting": set(),
        "claim": set(),
        "overflow stay": set(),
        "floor plan": set(),
        **{kind: set() for kind in _OF_FLOOR},
    }
    numbers: set[str] = set()
    for line in lines:
        if line.subject_kind in ids and line.subject_id.isdecimal():
            ids[line.subject_kind].add(int(line.subject_id))
        elif line.subject_kind == "gift certificate":
            numbers.add(line.subject_id)
    text, nothing = String(), literal("")
    parts = (
        select(literal("space"), cast(Space.id, text), Mall.code, Space.code)
        .join(Mall, Mall.id == Space.mall_id)
        .where(Space.id.in_(ids["space"])),
        select(literal("lease"), cast(Lease.id, text), Mall.code, nothing)
        .join(Mall, Mall.id == Lease.mall_id)
        .where(Lease.id.in_(ids["lease"])),
        select(literal("offer"), cast(Offer.id, text), Mall.code, nothing)
        .join(Space, Space.id == Offer.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .where(Offer.id.in_(ids["offer"])),
        select(literal("waiting"), cast(Waiting.id, text), Mall.code, nothing)
        .join(Mall, Mall.id == Waiting.mall_id)
        .where(Waiting.id.in_(ids["waiting"])),
        select(literal("claim"), cast(Claim.id, text), Mall.code, cast(TicketLine.id, text))
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .where(Claim.id.in_(ids["claim"])),
        *(
            select(literal(kind), cast(table.id, text), Mall.code, nothing)
            .join(Mall, Mall.id == table.mall_id)
            .where(table.id.in_(ids[kind]))
            for kind, table in _OF_FLOOR.items()
        ),
        select(literal("overflow stay"), cast(Stay.id, text), Mall.code, nothing)
        .join(BayRow, BayRow.id == Stay.bay_id)
        .join(Mall, Mall.id == BayRow.mall_id)
        .where(Stay.id.in_(ids["overflow stay"])),
        select(literal("floor plan"), cast(Mall.id, text), Mall.code, nothing).where(Mall.id.in_(ids["floor plan"])),
        select(literal("gift certificate"), GiftCertificate.number, nothing, cast(GiftCertificate.id, text)).where(
            GiftCertificate.number.in_(numbers)
        ),
    )
    return {(kind, subject): _Where(code, key) for kind, subject, code, key in session.execute(union_all(*parts))}
