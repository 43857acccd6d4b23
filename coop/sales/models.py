"""Tickets, their lines and tenders, files they came from; layaways; gift certificates; claims; drawers counted; desk devices."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, Text, UniqueConstraint, false, text
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
        # What was sold by day is read from it alone.
        Index("ix_ticket_mall_posting_date", "mall_id", "posting_date", "kind", "net_cents", "tax_cents"),
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
        Index("ix_ticket_line_dealer", "dealer_id", "credited_on"),
        Index("ix_ticket_line_credited", "mall_id", "credited_on"),
        Index("ix_ticket_line_mall", "mall_id", "posting_date"),
        Index(
            "ix_ticket_line_waited",
            "mall_id",
            "posting_date",
            postgresql_where=text("credited_on IS NULL OR credited_on > posting_date"),
            sqlite_where=text("credited_on IS NULL OR credited_on > posting_date"),
        ),
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
    credited_on: Mapped[date | None]
    """The day in the books on which it was credited to its dealer: the posting date, or of an unclaimed sale the day it was
    claimed; null as long as it is nobody's."""
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
    """cash, card or check; coupon (a maker's, owed by the maker); trade-in (a thing the dealer took, to her own account); layaway
    (what the co-op held of its payments); gift (a gift certificate)."""
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    amount_cents: Mapped[int] = mapped_column(Cents)


class LayawayAgreement(Base):
    """What a buyer pays over weeks and takes when all is paid: the terms as they were printed, and how it ended.

    Its terms never change; the buyer's name and address may be removed. Its end is filled in once.
    """

    __tablename__ = "layaway"
    __table_args__ = (
        UniqueConstraint("mall_id", "number"),
        CheckConstraint("taxed_at IN ('agreement', 'completion')", name="known_taxed_at"),
        CheckConstraint("state IN ('open', 'completed', 'cancelled')", name="known_state"),
        CheckConstraint("due_on >= accepted_on", name="due_forward"),
        CheckConstraint("net_cents > 0 AND tax_cents >= 0 AND deposit_cents > 0 AND fee_cents >= 0", name="amounts"),
        CheckConstraint("(state = 'open') = (closed_on IS NULL)", name="closed_on_a_day"),
        CheckConstraint("(state = 'completed') = (ticket_id IS NOT NULL)", name="completed_by_ticket"),
        CheckConstraint("closed_on IS NULL OR closed_on >= accepted_on", name="closed_forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    number: Mapped[int] = mapped_column(Integer)
    """Counted up in its mall."""
    key: Mapped[str] = mapped_column(String(64), unique=True)
    """Made with the form: the same form sent twice is one agreement."""
    buyer_name: Mapped[str] = mapped_column(String(120))
    """With how she is reached, the only place of it; empty once it is removed."""
    buyer_contact: Mapped[str] = mapped_column(String(120), default="")
    accepted_on: Mapped[date]
    due_on: Mapped[date]
    taxed_at: Mapped[str] = mapped_column(String(10))
    """By the state's setting of the day of the agreement."""
    net_cents: Mapped[int] = mapped_column(Cents)
    """Its lines' prices together."""
    tax_cents: Mapped[int] = mapped_column(Cents)
    """By the rates of the day of the agreement: charged then, or, taxed at completion, what it would have been."""
    deposit_cents: Mapped[int] = mapped_column(Cents)
    """The first payment, at the agreement."""
    fee_percent: Mapped[Decimal | None] = mapped_column(Rate)
    """Of the prices together: the rule behind the fee; null for one in dollars."""
    fee_cents: Mapped[int] = mapped_column(Cents)
    """Kept when it is cancelled, as printed; never more than was paid."""
    agreed_at: Mapped[datetime] = mapped_column(UtcDateTime)
    agreed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    state: Mapped[str] = mapped_column(String(9), default="open")
    closed_on: Mapped[date | None]
    ticket_id: Mapped[int | None] = mapped_column(ForeignKey("ticket.id"), unique=True)

    lines: Mapped[list[LayawayLine]] = relationship(order_by="LayawayLine.position", viewonly=True)
    moves: Mapped[list[LayawayMove]] = relationship(order_by="LayawayMove.id", viewonly=True)


class LayawayLine(Base):
    """One item set aside: what its ticket's line will say."""

    __tablename__ = "layaway_line"
    __table_args__ = (
        UniqueConstraint("layaway_id", "position"),
        CheckConstraint("price_cents = tag_cents - discount_cents", name="adds_up"),
        CheckConstraint("quantity > 0 AND price_cents >= 0 AND discount_cents >= 0", name="sold"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    layaway_id: Mapped[int] = mapped_column(ForeignKey("layaway.id"))
    position: Mapped[int] = mapped_column(Integer)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    tag: Mapped[str] = mapped_column(String(40))
    description: Mapped[str] = mapped_column(String(200))
    tax_class: Mapped[str] = mapped_column(String(20))
    quantity: Mapped[int] = mapped_column(Integer)
    unit_price: Mapped[Decimal] = mapped_column(Rate)
    """Dollars."""
    tag_cents: Mapped[int] = mapped_column(Cents)
    discount_cents: Mapped[int] = mapped_column(Cents)
    discount_reason: Mapped[str] = mapped_column(String(12))
    discount_authority: Mapped[str] = mapped_column(String(80))
    price_cents: Mapped[int] = mapped_column(Cents)


class LayawayMove(Base):
    """Money of one layaway that came or went. What is held is what was paid less the rest; the ledger says the same."""

    __tablename__ = "layaway_move"
    __table_args__ = (
        CheckConstraint("kind IN ('paid', 'sold', 'given back', 'fee')", name="known_kind"),
        CheckConstraint("amount_cents > 0", name="above_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    layaway_id: Mapped[int] = mapped_column(ForeignKey("layaway.id"), index=True)
    key: Mapped[str] = mapped_column(String(80), unique=True)
    """Made with the form: the same payment sent twice is one."""
    kind: Mapped[str] = mapped_column(String(10))
    tender: Mapped[str] = mapped_column(String(12))
    """cash, card or check; empty for what became a ticket or the fee."""
    amount_cents: Mapped[int] = mapped_column(Cents)
    on: Mapped[date] = mapped_column("on_day")
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))


class GiftCertificate(Base):
    """A gift certificate: money the co-op holds for whoever brings it, at any of its malls. What is left is its moves' sum."""

    __tablename__ = "gift_certificate"
    __table_args__ = (
        CheckConstraint("amount_cents > 0", name="above_zero"),
        CheckConstraint("expires_on IS NULL OR expires_on >= sold_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    number: Mapped[str] = mapped_column(String(20), unique=True)
    """As printed on it."""
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    """Where it was sold."""
    sold_on: Mapped[date]
    amount_cents: Mapped[int] = mapped_column(Cents)
    expires_on: Mapped[date | None]
    """As printed on it. What is left then stays a liability until a release rule lets it go."""
    sold_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))


class GiftMove(Base):
    """Money of one gift certificate that came or went. Frozen; the sum over all is the ledger's liability."""

    __tablename__ = "gift_move"
    __table_args__ = (
        CheckConstraint("kind IN ('sold', 'brought over', 'redeemed', 'given back', 'released')", name="known_kind"),
        CheckConstraint("amount_cents > 0", name="above_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    certificate_id: Mapped[int] = mapped_column(ForeignKey("gift_certificate.id"), index=True)
    key: Mapped[str] = mapped_column(String(120), unique=True)
    """Made with the form, or of the ticket and the certificate: the same thing sent twice is one."""
    kind: Mapped[str] = mapped_column(String(12))
    """`given back`: by a return of what it paid; `brought over`: from paper. These and `sold` add to it, the others take off."""
    amount_cents: Mapped[int] = mapped_column(Cents)
    on: Mapped[date] = mapped_column("on_day")
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    """Where it was used."""
    ticket_id: Mapped[int | None] = mapped_column(ForeignKey("ticket.id"), index=True)
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))


class Claim(Base):
    """A dealer says that an unclaimed sale was hers; the manager grants it or does not. Decided once."""

    __tablename__ = "claim"
    __table_args__ = (
        CheckConstraint("state IN ('asked', 'granted', 'refused')", name="known_state"),
        CheckConstraint("(state = 'granted') = (entry_id IS NOT NULL)", name="granted_by_entry"),
        CheckConstraint("(state = 'asked') = (decided_at IS NULL)", name="decided_at_a_moment"),
        Index(
            "uq_claim_open",
            "line_id",
            "dealer_id",
            unique=True,
            postgresql_where=text("state = 'asked'"),
            sqlite_where=text("state = 'asked'"),
        ),
        Index(
            "uq_claim_granted",
            "line_id",
            unique=True,
            postgresql_where=text("state = 'granted'"),
            sqlite_where=text("state = 'granted'"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    line_id: Mapped[int] = mapped_column(ForeignKey("ticket_line.id"), index=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    words: Mapped[str] = mapped_column(String(200), default="")
    """How she knows it."""
    asked_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    asked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    state: Mapped[str] = mapped_column(String(8), default="asked")
    decided_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    decided_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    decision: Mapped[str] = mapped_column(String(200), default="")
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)


class DrawerCount(Base):
    """A drawer counted: what the books say is in it, what was in it, who counted. Frozen."""

    __tablename__ = "drawer_count"
    __table_args__ = (
        CheckConstraint("counted_cents >= 0", name="not_negative"),
        CheckConstraint("seconded_by IS NULL OR seconded_by <> counted_by", name="two_people"),
        Index("ix_drawer_count_mall", "mall_id", "drawer", "on_day"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    """Made with the form: the same count sent twice is one."""
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    drawer: Mapped[str] = mapped_column(String(12), default="")
    """The desk's name where a mall has several; empty for its only one."""
    on: Mapped[date] = mapped_column("on_day")
    """The business date it was counted at the end of."""
    expected_cents: Mapped[int] = mapped_column(Cents)
    """The drawer's balance in the books at that day's end."""
    counted_cents: Mapped[int] = mapped_column(Cents)
    counted_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    seconded_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    note: Mapped[str] = mapped_column(String(200), default="")
    counted_at: Mapped[datetime] = mapped_column(UtcDateTime)
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    """Over or short; null when there is neither."""


class DeskDevice(Base):
    """A device that rings up sales, and what it last said of tickets it has not sent yet."""

    __tablename__ = "desk_device"
    __table_args__ = (UniqueConstraint("mall_id", "name"), CheckConstraint("waiting >= 0", name="not_negative"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    name: Mapped[str] = mapped_column(String(40))
    registered_at: Mapped[datetime] = mapped_column(UtcDateTime)
    retired_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    waiting: Mapped[int] = mapped_column(Integer, default=0)
    """Tickets on the device that the books have not had."""
    reported_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
