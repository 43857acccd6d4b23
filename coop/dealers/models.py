"""Who there is: the co-op, its members, its dealers, and how they sign in."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Key, Rate, UtcDateTime

ROLES = ("manager", "bookkeeper", "desk", "dealer", "auditor")


class Cooperative(Base):
    """The co-op: exactly one row. Its house rules are the defaults of everything below."""

    __tablename__ = "cooperative"
    __table_args__ = (CheckConstraint("id = 1", name="only_one"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True, default=1)
    name: Mapped[str] = mapped_column(String(120))
    currency: Mapped[str] = mapped_column(String(3), default="USD")
    commission_percent: Mapped[Decimal] = mapped_column(Rate)
    """Commission of a lease that says nothing else."""
    paper: Mapped[str] = mapped_column(String(6), default="letter")
    """`letter` or `a4`."""
    payout_day: Mapped[int] = mapped_column(Integer, default=10)
    """Day of the next month on which payouts are made."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Member(Base):
    """A person in the co-op. Names live here and nowhere in the books, so a person can be forgotten."""

    __tablename__ = "member"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    name: Mapped[str] = mapped_column(String(120))
    email: Mapped[str] = mapped_column(String(254), default="")
    """Empty: letters are printed."""
    phone: Mapped[str] = mapped_column(String(40), default="")
    address: Mapped[str] = mapped_column(String(400), default="")
    joined_on: Mapped[date]
    left_on: Mapped[date | None]


class Dealer(Base):
    """A member who sells, known on tags and statements by a code."""

    __tablename__ = "dealer"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    code: Mapped[str] = mapped_column(String(12), unique=True)
    trade_name: Mapped[str] = mapped_column(String(120), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    member: Mapped[Member] = relationship(lazy="joined", innerjoin=True)


class UserAccount(Base):
    """A sign-in. A user may be a member, and may have several roles."""

    __tablename__ = "user_account"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    email: Mapped[str] = mapped_column(String(254), unique=True)
    """Lower case."""
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"), index=True)
    password_hash: Mapped[str] = mapped_column(String(200))
    """Argon2id, in its own encoded form."""
    disabled_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    grants: Mapped[list[RoleGrant]] = relationship(lazy="selectin")


class RoleGrant(Base):
    """One role of one user."""

    __tablename__ = "role_grant"
    __table_args__ = (
        UniqueConstraint("user_id", "role"),
        CheckConstraint(f"role IN {ROLES}", name="known_role"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("user_account.id"))
    role: Mapped[str] = mapped_column(String(12))


class WebSession(Base):
    """A browser that is signed in. Only a hash of its token is kept."""

    __tablename__ = "web_session"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("user_account.id"), index=True)
    token_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    seen_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    address: Mapped[str] = mapped_column(String(45))
    agent: Mapped[str] = mapped_column(String(200))


class CalendarFeed(Base):
    """A calendar that a user's calendar program reads at a secret address, without signing in. Only the secret's hash is kept.

    `kind` names what it shows; the room that makes such calendars gives the name. The database keeps everything but
    `last_read_at`, and lets a feed be revoked once.
    """

    __tablename__ = "calendar_feed"
    __table_args__ = (
        CheckConstraint("length(token_sha256) = 64", name="hashed"),
        CheckConstraint("revoked_at IS NULL OR revoked_at >= created_at", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("user_account.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    label: Mapped[str] = mapped_column(String(60), default="")
    """What its user calls it, such as the device that reads it."""
    token_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    last_read_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class SignInAttempt(Base):
    """One try at a password, for throttling by account and by address."""

    __tablename__ = "sign_in_attempt"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    email: Mapped[str] = mapped_column(String(254), index=True)
    address: Mapped[str] = mapped_column(String(45), index=True)
    succeeded: Mapped[bool]


class SignInLink(Base):
    """A link by which a user chooses a passphrase: an invitation, or because hers is lost. Good once, until it expires.

    The database keeps everything but `used_at` and `ended_at`, each filled in once, and the secret, which is emptied.
    """

    __tablename__ = "sign_in_link"
    __table_args__ = (
        CheckConstraint("purpose IN ('invitation', 'passphrase')", name="known_purpose"),
        CheckConstraint("length(token_sha256) = 64", name="hashed"),
        CheckConstraint("expires_at > created_at", name="forward"),
        CheckConstraint("used_at IS NULL OR ended_at IS NULL", name="used_or_ended"),
        Index(
            "uq_sign_in_link_running",
            "user_id",
            unique=True,
            postgresql_where=text("used_at IS NULL AND ended_at IS NULL"),
            sqlite_where=text("used_at IS NULL AND ended_at IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("user_account.id"), index=True)
    purpose: Mapped[str] = mapped_column(String(10))
    token_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    token_sealed: Mapped[str] = mapped_column(String(400), default="")
    """The secret for the mail that brings it (`core.sealed_text`); empty once it is used or ended."""
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    """Null: the user asked for it at the sign-in page."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    used_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """A newer one took its place, its user was locked, or a passphrase was chosen without it."""


class PassphraseRequest(Base):
    """Somebody said at the sign-in page that a passphrase is lost: written down whether or not there is such an account."""

    __tablename__ = "passphrase_request"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    email: Mapped[str] = mapped_column(String(254), index=True)
    address: Mapped[str] = mapped_column(String(45), index=True)


class PayoutDetail(Base):
    """How a dealer is paid, from a moment on: the newest counts. An account's number is kept sealed. Frozen."""

    __tablename__ = "payout_detail"
    __table_args__ = (
        CheckConstraint("method IN ('ach', 'check', 'hand')", name="known_method"),
        CheckConstraint("holder IN ('person', 'business')", name="known_holder"),
        CheckConstraint("account_kind IN ('', 'checking', 'savings')", name="known_account_kind"),
        CheckConstraint(
            "method <> 'ach' OR (routing <> '' AND account_sealed <> '' AND account_kind <> '')", name="ach_has_account"
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    method: Mapped[str] = mapped_column(String(5))
    holder: Mapped[str] = mapped_column(String(8), default="person")
    routing: Mapped[str] = mapped_column(String(9), default="")
    account_kind: Mapped[str] = mapped_column(String(8), default="")
    account_sealed: Mapped[str] = mapped_column(String(400), default="")
    """Under a key of the environment (`core.sealed_text`)."""
    account_last4: Mapped[str] = mapped_column(String(4), default="")
    changed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    changed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class TaxForm(Base):
    """A dealer's tax form on file: the newest counts. Its number is kept sealed. Frozen."""

    __tablename__ = "tax_form"
    __table_args__ = (CheckConstraint("form IN ('W-9', 'W-8', 'other')", name="known_form"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    form: Mapped[str] = mapped_column(String(5))
    received_on: Mapped[date]
    number_sealed: Mapped[str] = mapped_column(String(400), default="")
    number_last4: Mapped[str] = mapped_column(String(4), default="")
    entered_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    entered_at: Mapped[datetime] = mapped_column(UtcDateTime)
