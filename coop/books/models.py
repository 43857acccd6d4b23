"""The books: accounts, periods, entries and their postings, seals; the bank's lines, journal entries, house rules of money.

`migrations/versions/0002_guards.py` makes the database itself keep them: balanced, immutable, closed months closed.
"""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime

CLASSES = ("Assets", "Liabilities", "Income", "Expenses", "Equity")


class Account(Base):
    """A leaf of the tree of accounts, such as `Liabilities:Dealers:MAIN:D01`."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    path: Mapped[str] = mapped_column(String(120), unique=True)
    kind: Mapped[str] = mapped_column(String(20), index=True)
    """dealer, tax, tender, unclaimed, income, expense, equity, bank."""
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"), index=True)


class Period(Base):
    """A month of a mall's books, or of the co-op's own (mall null)."""

    __tablename__ = "period"
    __table_args__ = (
        Index(
            "uq_period_mall",
            "mall_id",
            "first_day",
            unique=True,
            postgresql_where=text("mall_id IS NOT NULL"),
            sqlite_where=text("mall_id IS NOT NULL"),
        ),
        Index(
            "uq_period_coop",
            "first_day",
            unique=True,
            postgresql_where=text("mall_id IS NULL"),
            sqlite_where=text("mall_id IS NULL"),
        ),
        CheckConstraint("state IN ('open', 'closed')", name="known_state"),
        CheckConstraint("first_day < last_day", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    last_day: Mapped[date]
    state: Mapped[str] = mapped_column(String(6), default="open")
    closed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class Entry(Base):
    """One event in the books. Never changed, never deleted."""

    __tablename__ = "entry"
    __table_args__ = (
        UniqueConstraint("source_kind", "source_id", "purpose"),
        Index("ix_entry_period_id", "period_id", "id"),
    )

    id: Mapped[int] = mapped_column(
        ForeignKey("entry_proof.entry_id", deferrable=True, initially="DEFERRED", name="fk_entry_proved"),
        type_=Key,
        primary_key=True,
        autoincrement=True,
    )
    period_id: Mapped[int] = mapped_column(ForeignKey("period.id"))
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    business_date: Mapped[date]
    kind: Mapped[str] = mapped_column(String(24))
    source_kind: Mapped[str] = mapped_column(String(24))
    source_id: Mapped[str] = mapped_column(String(120))
    purpose: Mapped[str] = mapped_column(String(24))
    """One event posts once: (source kind, source id, purpose) is unique."""
    reverses_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    """The entry this one puts right; an entry is reversed at most once."""
    memo: Mapped[str] = mapped_column(String(200), default="")
    """Facts and codes only, no names."""
    posted_at: Mapped[datetime] = mapped_column(UtcDateTime)

    postings: Mapped[list[Posting]] = relationship(order_by="Posting.id", viewonly=True)


class Posting(Base):
    """One signed amount on one account: debit positive, credit negative."""

    __tablename__ = "posting"
    __table_args__ = (CheckConstraint("amount_cents <> 0", name="not_zero"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"), index=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    amount_cents: Mapped[int] = mapped_column(Cents)

    account: Mapped[Account] = relationship(viewonly=True)


class EntryProof(Base):
    """Proof that an entry balances: the database writes none for one that does not, and keeps no entry without."""

    __tablename__ = "entry_proof"

    entry_id: Mapped[int] = mapped_column(Key, primary_key=True, autoincrement=False)
    postings: Mapped[int] = mapped_column(Integer)
    debits_cents: Mapped[int] = mapped_column(Cents)


class Seal(Base):
    """A hash over a period's entries since its last seal, chained to the seal before it in the same mall's chain."""

    __tablename__ = "seal"
    __table_args__ = (UniqueConstraint("chain", "number"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    chain: Mapped[str] = mapped_column(String(20))
    """The mall's code, or `co-op`."""
    number: Mapped[int] = mapped_column(Integer)
    period_id: Mapped[int] = mapped_column(ForeignKey("period.id"), index=True)
    reason: Mapped[str] = mapped_column(String(8))
    """day or close."""
    after_entry_id: Mapped[int] = mapped_column(Key)
    last_entry_id: Mapped[int] = mapped_column(Key)
    """Covers the period's entries with after < id <= last."""
    entries: Mapped[int] = mapped_column(Integer)
    debits_cents: Mapped[int] = mapped_column(Cents)
    previous_sha256: Mapped[str] = mapped_column(String(64))
    sha256: Mapped[str] = mapped_column(String(64))
    sealed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class MoneyRule(Base):
    """The co-op's house rules of money from a day on. Until the first of them, what `books.rules.NO_RULES` says."""

    __tablename__ = "money_rule"
    __table_args__ = (
        CheckConstraint("next_rent IN ('shown', 'netted')", name="known_next_rent"),
        CheckConstraint("card_percent >= 0 AND card_percent <= 100000000", name="card_percent"),
        CheckConstraint("surcharge_percent >= 0 AND surcharge_percent <= 100000000", name="surcharge_percent"),
        CheckConstraint(
            "journal_limit_cents >= 0 AND payout_minimum_cents >= 0 AND bank_wait_days >= 0 AND unclaimed_days >= 0 "
            "AND stale_days >= 0",
            name="not_negative",
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    starts_on: Mapped[date] = mapped_column(unique=True)
    card_percent: Mapped[Decimal] = mapped_column(Rate)
    """Of the net card part of a dealer's sales, borne by her as card cost; zero: the co-op absorbs it."""
    surcharge_percent: Mapped[Decimal] = mapped_column(Rate)
    """The most a buyer who pays by card may be charged on top, of what she pays so; zero: nothing. Apart from the card cost."""
    journal_limit_cents: Mapped[int] = mapped_column(Cents)
    """A journal entry whose debits are larger needs a second person."""
    payout_minimum_cents: Mapped[int] = mapped_column(Cents)
    """A smaller balance is carried forward."""
    bank_wait_days: Mapped[int] = mapped_column(Integer)
    """Days after a change of bank details before money goes to the new account."""
    tax_form_needed: Mapped[bool]
    """Whether a dealer without a tax form on file is not paid."""
    next_rent: Mapped[str] = mapped_column(String(6))
    """`shown` on the statement only, or `netted` from what is paid."""
    unclaimed_days: Mapped[int] = mapped_column(Integer)
    """After so many days without a claim, an unclaimed sale is listed for the manager."""
    stale_days: Mapped[int] = mapped_column(Integer)
    """After so many days, a check the bank has not paid is stale and becomes a liability again."""
    set_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)


class ReleaseRule(Base):
    """What the state says, from a day on, of money nobody asks for: when it may leave the co-op's liabilities, and where to."""

    __tablename__ = "release_rule"
    __table_args__ = (
        CheckConstraint("what IN ('gift certificates', 'unclaimed sales', 'stale payouts')", name="known_what"),
        CheckConstraint("goes_to IN ('state', 'co-op')", name="known_goes_to"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("after_days >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    what: Mapped[str] = mapped_column(String(20))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    after_days: Mapped[int] = mapped_column(Integer)
    goes_to: Mapped[str] = mapped_column(String(6))
    """`state`: paid over to it as unclaimed property; `co-op`: income."""
    said_by: Mapped[str] = mapped_column(String(200))
    """Which law or office says so."""
    set_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)


class BankFile(Base):
    """A file of the bank's lines, brought in once."""

    __tablename__ = "bank_file"
    __table_args__ = (CheckConstraint("kind IN ('csv', 'ofx')", name="known_kind"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str] = mapped_column(String(3))
    file_name: Mapped[str] = mapped_column(String(200))
    file_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    first_day: Mapped[date]
    last_day: Mapped[date]
    lines: Mapped[int] = mapped_column(Integer)
    """New ones; what an earlier file brought already is not counted."""
    lines_here: Mapped[int] = mapped_column(Integer)
    """In the file, but here from an earlier one."""
    closing_cents: Mapped[int | None] = mapped_column(Cents)
    """The bank's balance after the last day, where the file says it."""
    read_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    read_at: Mapped[datetime] = mapped_column(UtcDateTime)


class BankLine(Base):
    """One line of the bank's statement. Frozen."""

    __tablename__ = "bank_line"
    __table_args__ = (CheckConstraint("amount_cents <> 0", name="not_zero"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    file_id: Mapped[int] = mapped_column(ForeignKey("bank_file.id"), index=True)
    key: Mapped[str] = mapped_column(String(120), unique=True)
    """The bank's own id; of a CSV line its day, amount and words, and which of several equal ones it is."""
    on: Mapped[date] = mapped_column("on_day", index=True)
    amount_cents: Mapped[int] = mapped_column(Cents)
    """Positive: came into the account."""
    reference: Mapped[str] = mapped_column(String(40), default="")
    """A check's number, a transfer's trace."""
    words: Mapped[str] = mapped_column(String(200), default="")


class BankItem(Base):
    """A part of an opening entry's bank posting that the bank had not seen yet: an outstanding check or deposit from paper."""

    __tablename__ = "bank_item"
    __table_args__ = (CheckConstraint("amount_cents <> 0", name="not_zero"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"), index=True)
    on: Mapped[date] = mapped_column("on_day")
    amount_cents: Mapped[int] = mapped_column(Cents)
    """Positive: will come into the account."""
    reference: Mapped[str] = mapped_column(String(40), default="")
    words: Mapped[str] = mapped_column(String(200), default="")


class BankMatch(Base):
    """A bank line, or a part of it, found to be an entry's bank posting, or a part of that. Taken back by marking it undone."""

    __tablename__ = "bank_match"
    __table_args__ = (
        CheckConstraint("amount_cents <> 0", name="not_zero"),
        Index("ix_bank_match_entry", "entry_id"),
        Index("ix_bank_match_line", "line_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    line_id: Mapped[int] = mapped_column(ForeignKey("bank_line.id"))
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    item_id: Mapped[int | None] = mapped_column(ForeignKey("bank_item.id"), index=True)
    """Which outstanding item of an opening entry."""
    amount_cents: Mapped[int] = mapped_column(Cents)
    how: Mapped[str] = mapped_column(String(12))
    """reference, amount, hand, or made (the entry was made from the line)."""
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    undone_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    undone_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class BankMonth(Base):
    """A month's bank account reconciled: book balance, what is outstanding, the bank's balance. The newest of a month counts."""

    __tablename__ = "bank_month"
    __table_args__ = (
        CheckConstraint("difference_cents = bank_cents + outstanding_cents - book_cents", name="adds_up"),
        CheckConstraint("difference_cents = 0 OR explanation <> ''", name="explained"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    first_day: Mapped[date] = mapped_column(index=True)
    bank_cents: Mapped[int] = mapped_column(Cents)
    """As the bank's statement says it."""
    outstanding_cents: Mapped[int] = mapped_column(Cents)
    """In the books and not at the bank yet, less what is at the bank and not in the books."""
    book_cents: Mapped[int] = mapped_column(Cents)
    difference_cents: Mapped[int] = mapped_column(Cents)
    explanation: Mapped[str] = mapped_column(String(400), default="")
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Journal(Base):
    """An entry a person makes by hand, with its reason and its paper: posted at once, or once a second person approves it."""

    __tablename__ = "journal"
    __table_args__ = (
        CheckConstraint("state IN ('entered', 'posted', 'refused')", name="known_state"),
        CheckConstraint("(state = 'posted') = (entry_id IS NOT NULL)", name="posted_by_entry"),
        CheckConstraint("NOT second_needed OR decided_by IS NULL OR decided_by <> entered_by", name="second_person"),
        CheckConstraint("reason <> ''", name="with_a_reason"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    """Made with the form: the same form sent twice is one entry."""
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    on: Mapped[date] = mapped_column("on_day")
    reason: Mapped[str] = mapped_column(String(200))
    document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    """The paper behind it: a bill, a letter."""
    second_needed: Mapped[bool]
    entered_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    entered_at: Mapped[datetime] = mapped_column(UtcDateTime)
    state: Mapped[str] = mapped_column(String(8), default="entered")
    decided_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    decided_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    decision: Mapped[str] = mapped_column(String(200), default="")
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    reverses_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"))
    """The entry it puts right, where it is a reversal."""

    lines: Mapped[list[JournalLine]] = relationship(order_by="JournalLine.position", viewonly=True)


class JournalLine(Base):
    """One amount of a journal entry. Frozen."""

    __tablename__ = "journal_line"
    __table_args__ = (
        UniqueConstraint("journal_id", "position"),
        CheckConstraint("amount_cents <> 0", name="not_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    journal_id: Mapped[int] = mapped_column(ForeignKey("journal.id"))
    position: Mapped[int] = mapped_column(Integer)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    amount_cents: Mapped[int] = mapped_column(Cents)

    account: Mapped[Account] = relationship(viewonly=True)


class Opening(Base):
    """The balances a co-op brings from paper: the file, read by one person and signed by another, who posts it."""

    __tablename__ = "opening"
    __table_args__ = (
        CheckConstraint("state IN ('read', 'signed', 'dropped')", name="known_state"),
        CheckConstraint("signed_by IS NULL OR signed_by <> read_by", name="second_person"),
        CheckConstraint("(state = 'signed') = (signed_at IS NOT NULL)", name="signed_at_a_moment"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    file_name: Mapped[str] = mapped_column(String(200))
    file_sha256: Mapped[str] = mapped_column(String(64))
    content: Mapped[str] = mapped_column(Text, deferred=True)
    """As it was read; once it is signed or dropped, without buyers' names."""
    first_day: Mapped[date]
    """Of the first month kept here: the entry is dated on the day before."""
    totals: Mapped[dict[str, Any]] = mapped_column(JSON)
    """Control totals: by kind of row, how many and how many cents."""
    state: Mapped[str] = mapped_column(String(8), default="read")
    read_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    read_at: Mapped[datetime] = mapped_column(UtcDateTime)
    signed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    signed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class OpeningMemo(Base):
    """A figure from paper that is no balance: what a dealer's year came to before, or her balance of turns. Frozen."""

    __tablename__ = "opening_memo"
    __table_args__ = (
        UniqueConstraint("mall_id", "dealer_id", "what"),
        CheckConstraint(
            "what IN ('gross', 'net', 'commission', 'rent', 'fees', 'paid', 'turns')",
            name="known_what",
        ),
        CheckConstraint("(what = 'turns') = (turns IS NOT NULL)", name="turns_or_money"),
        CheckConstraint("(what = 'turns') = (amount_cents IS NULL)", name="money_or_turns"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    opening_id: Mapped[int] = mapped_column(ForeignKey("opening.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    what: Mapped[str] = mapped_column(String(12))
    year: Mapped[int] = mapped_column(Integer)
    """The calendar year it belongs to."""
    amount_cents: Mapped[int | None] = mapped_column(Cents)
    turns: Mapped[Decimal | None] = mapped_column(Rate)
