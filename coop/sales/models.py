"""Tickets, their lines and tenders, and the files they were brought in from."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, Text, UniqueConstraint, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime


class SalesImport(Base):
    """One file brought in, with its control totals. Running until its last row; resumed by running it again."""

    __tablename__ = "sales_import"
    __table_args__ = (
        UniqueConstraint("mall_id", "mapping", "file_sha256"),
        CheckConstraint("state IN ('running', 'done')", name="known_state"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    mapping: Mapped[str] = mapped_column(String(40))
    file_name: Mapped[str] = mapped_column(String(200))
    file_sha256: Mapped[str] = mapped_column(String(64))
    state: Mapped[str] = mapped_column(String(8), default="running")
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    rows: Mapped[int] = mapped_column(Integer, default=0)
    rows_taken: Mapped[int] = mapped_column(Integer, default=0)
    """Taken for a dealer."""
    rows_unclaimed: Mapped[int] = mapped_column(Integer, default=0)
    """Taken without a dealer."""
    rows_refused: Mapped[int] = mapped_column(Integer, default=0)
    rows_here: Mapped[int] = mapped_column(Integer, default=0)
    """Already taken from an earlier file of the same source."""
    tickets: Mapped[int] = mapped_column(Integer, default=0)
    taken_cents: Mapped[int] = mapped_column(Cents, default=0)
    unclaimed_cents: Mapped[int] = mapped_column(Cents, default=0)


class ImportRefusal(Base):
    """A row that was not taken, and why."""

    __tablename__ = "import_refusal"
    __table_args__ = (UniqueConstraint("import_id", "row"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    import_id: Mapped[int] = mapped_column(ForeignKey("sales_import.id"))
    row: Mapped[int] = mapped_column(Integer)
    """Line number in the file, the heading being 1."""
    reason: Mapped[str] = mapped_column(String(40))
    """A short name to count by."""
    sentence: Mapped[str] = mapped_column(Text)
    """What is wrong and how to mend it."""


class Ticket(Base):
    """One checkout, or one return."""

    __tablename__ = "ticket"
    __table_args__ = (
        Index("ix_ticket_mall_posting_date", "mall_id", "posting_date"),
        Index("ix_ticket_source_number", "source", "number"),
        CheckConstraint("kind IN ('sale', 'return')", name="known_kind"),
        CheckConstraint("certificate_kind IN ('', 'resale', 'exempt')", name="known_certificate_kind"),
        CheckConstraint("total_cents = net_cents + delivery_cents + tax_cents", name="adds_up"),
        CheckConstraint(
            "layaway_completed_on IS NULL OR (layaway_accepted_on IS NOT NULL AND layaway_completed_on >= layaway_accepted_on)",
            name="layaway_forward",
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    key: Mapped[str] = mapped_column(String(120), unique=True)
    """Made by the device that rang it (or source and number of an import): the same key twice is one ticket."""
    number: Mapped[str] = mapped_column(String(40))
    source: Mapped[str] = mapped_column(String(60))
    """The device, or the mall and mapping of an import."""
    kind: Mapped[str] = mapped_column(String(6))
    sold_at: Mapped[datetime] = mapped_column(UtcDateTime)
    sold_on: Mapped[date]
    """The sale's business date in the mall's zone."""
    received_at: Mapped[datetime] = mapped_column(UtcDateTime)
    posting_date: Mapped[date]
    """In the books: the sale's date, or the first open day when that month was already closed."""
    rung_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    import_id: Mapped[int | None] = mapped_column(ForeignKey("sales_import.id"), index=True)
    taxed: Mapped[bool] = mapped_column(default=True)
    """Whether tax was collected; the mapping of an import may say that none was."""
    net_cents: Mapped[int] = mapped_column(Cents)
    """What the dealers are credited: its lines' prices together."""
    delivery_cents: Mapped[int] = mapped_column(Cents, default=0, server_default="0")
    """Charged for bringing it all; the mall's income, and no part of the net."""
    delivery_of_id: Mapped[int | None] = mapped_column(ForeignKey("ticket.id"), index=True)
    """Of a return: the sale whose delivery charge it gives back."""
    tax_cents: Mapped[int] = mapped_column(Cents)
    """On the lines and on the delivery."""
    total_cents: Mapped[int] = mapped_column(Cents)
    """net + delivery + tax: what the tenders make up, coupons and trade-ins among them."""
    certificate: Mapped[str] = mapped_column(String(40), default="", server_default="")
    """Number of the certificate the buyer showed; her name is kept with it, not here."""
    certificate_kind: Mapped[str] = mapped_column(String(6), default="", server_default="")
    """resale or exempt, as it was at the sale."""
    layaway_accepted_on: Mapped[date | None]
    """Of a layaway: the day of its agreement, and the day it was finally paid and handed over, which is the sale's."""
    layaway_completed_on: Mapped[date | None]
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"))
    """Null only for a ticket whose amounts cancel out."""
    buyer_key: Mapped[str] = mapped_column(String(32), default="")
    """A pseudonym of the buyer in her source, to tie a return to what she bought; empty when unknown."""

    lines: Mapped[list[TicketLine]] = relationship(order_by="TicketLine.position", viewonly=True)
    tenders: Mapped[list[Tender]] = relationship(order_by="Tender.id", viewonly=True)


class TicketLine(Base):
    """One item on a ticket. Amounts of a return are negative."""

    __tablename__ = "ticket_line"
    __table_args__ = (
        UniqueConstraint("ticket_id", "position"),
        Index("ix_ticket_line_dealer", "dealer_id", "posting_date"),
        Index("ix_ticket_line_mall", "mall_id", "posting_date"),
        Index("ix_ticket_line_tag", "mall_id", "tag"),
        CheckConstraint("price_cents = tag_cents - discount_cents - seller_coupon_cents", name="adds_up"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    ticket_id: Mapped[int] = mapped_column(ForeignKey("ticket.id"))
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    posting_date: Mapped[date]
    position: Mapped[int] = mapped_column(Integer)
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"))
    """Null: an unclaimed sale."""
    tag: Mapped[str] = mapped_column(String(40), default="")
    description: Mapped[str] = mapped_column(String(200))
    tax_class: Mapped[str] = mapped_column(String(20), default="general")
    quantity: Mapped[int] = mapped_column(Integer)
    unit_price: Mapped[Decimal] = mapped_column(Rate)
    """Dollars."""
    tag_cents: Mapped[int] = mapped_column(Cents)
    """Quantity times unit price, half-up, before any discount."""
    discount_cents: Mapped[int] = mapped_column(Cents, default=0)
    """Taken off; of the sign of the line."""
    discount_reason: Mapped[str] = mapped_column(String(12), default="")
    """standing, booth, mall, trade or offer."""
    discount_authority: Mapped[str] = mapped_column(String(80), default="")
    """The rule, or who approved it."""
    seller_coupon_cents: Mapped[int] = mapped_column(Cents, default=0, server_default="0")
    """A coupon the dealer bears."""
    price_cents: Mapped[int] = mapped_column(Cents)
    """tag - discount - seller's coupon: what the dealer is credited, and pays commission on."""
    maker_coupon_cents: Mapped[int] = mapped_column(Cents, default=0, server_default="0")
    """The part of the price that a maker's coupon pays: the maker owes it to the co-op."""
    trade_in_cents: Mapped[int] = mapped_column(Cents, default=0, server_default="0")
    """The part of the price that the buyer paid with a thing, which the dealer has taken in."""
    own_use: Mapped[bool] = mapped_column(default=False, server_default=false())
    """Taken by a resale buyer for herself, so taxed."""
    tax_cents: Mapped[int] = mapped_column(Cents, default=0)
    returns_line_id: Mapped[int | None] = mapped_column(ForeignKey("ticket_line.id"), index=True)
    """The line this one returns; null on a return is an untied return."""


class Tender(Base):
    """How a ticket, or a part of it, was paid."""

    __tablename__ = "tender"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    ticket_id: Mapped[int] = mapped_column(ForeignKey("ticket.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    """cash, card or check; coupon (a maker's, owed by the maker); trade-in (a thing the dealer took, to her own account)."""
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    amount_cents: Mapped[int] = mapped_column(Cents)
