"""A file of sales brought in: every row taken, unclaimed, or refused with its reason, and the totals prove it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from coop.core import audit, faults
from coop.core.db import Sessions, insert_ignoring, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.leases.agreements import make_lease
from coop.leases.models import Lease
from coop.sales.domain import MAPPINGS, LineIn, ParsedRow, RowError, SourceMapping, TenderIn, TicketIn, parse_row
from coop.sales.models import ImportRefusal, SalesImport, Ticket, TicketLine
from coop.sales.reading import Shape, codec_of, open_sales, read_rows, read_shape
from coop.sales.service import local_moment, take_tickets

BATCH_ROWS = 5000
_UNKNOWN_DEALER = "unknown dealer"

Progress = Callable[[int, int], None]


def mapping_named(name: str) -> SourceMapping:
    """The mapping of that name. Refuses one there is not, naming those there are."""
    if name not in MAPPINGS:
        raise Refusal(f"--mapping {name}: there is no such mapping. There is: {', '.join(sorted(MAPPINGS))}.")
    return MAPPINGS[name]


# --- taking -------------------------------------------------------------------------------------------------------------


@dataclass
class Totals:
    """Control totals of an import: rows are taken, unclaimed, refused or here already, and nothing else."""

    rows: int = 0
    taken: int = 0
    unclaimed: int = 0
    refused: int = 0
    here: int = 0
    taken_cents: int = 0
    unclaimed_cents: int = 0

    @property
    def proved(self) -> bool:
        return self.rows == self.taken + self.unclaimed + self.refused + self.here


@dataclass(frozen=True)
class _Row:
    line: int
    position: int
    parsed: ParsedRow | None


@dataclass(frozen=True)
class _Before:
    import_id: int | None
    tag: str
    quantity: int
    tag_cents: int

    def is_row(self, row: ParsedRow) -> bool:
        return (self.tag, self.quantity, self.tag_cents) == (row.tag, row.quantity, row.tag_cents)


@dataclass(frozen=True)
class ImportOptions:
    """What was asked."""

    mapping: str
    mall_code: str
    create_dealers: bool = False
    encoding: str = "utf-8-sig"


def import_sales(
    sessions: Sessions,
    path: Path,
    options: ImportOptions,
    *,
    clock: Callable[[], datetime],
    progress: Progress | None = None,
) -> SalesImport:
    """Bring a file in, a transaction for each few thousand rows; the finished import with its totals.

    Read once before anything is written. Stopped anywhere, it is finished by running it again; a file that is in already changes
    nothing. Raises Refusal for a file that is not of the mapping's shape: then nothing was taken.
    """
    mapping, encoding = mapping_named(options.mapping), codec_of(options.encoding)
    shape = read_shape(path, mapping, encoding)
    with transaction(sessions) as session:
        mall = _hold_mall(session, options.mall_code)
        work, taken_up_again = _begin(session, clock(), mall, mapping, path, shape, options)
        import_id = work.id
        # A wrong year would be posted for good.
        latest = clock().astimezone(ZoneInfo(mapping.timezone or mall.timezone)).replace(tzinfo=None)
        if work.state == "done":
            return work
    totals = Totals()
    waiting: dict[str, list[_Row]] = {}
    ready: list[list[_Row]] = []
    refusals: list[tuple[int, RowError]] = []
    held = 0

    def flush() -> None:
        nonlocal held
        with transaction(sessions) as session:
            mall = _hold_mall(session, options.mall_code)
            batch = _Batch(session, clock(), mall, mapping, options, import_id, totals, taken_up_again)
            batch.take(ready, refusals)
            faults.point("import:before-commit")
        faults.point("import:batch")
        ready.clear()
        refusals.clear()
        held = 0
        if progress:
            progress(totals.rows, shape.rows)

    def release(number: str) -> None:
        nonlocal held
        ready.append(waiting.pop(number))
        held += len(ready[-1])
        if held + len(refusals) >= BATCH_ROWS:
            flush()

    current: str | None = None
    with open_sales(path) as stream:
        for row in read_rows(path, mapping, stream, encoding):
            if current is not None and row.number != current and current not in shape.scattered:
                release(current)
            current = row.number
            totals.rows += 1
            gathered = waiting.setdefault(current, [])
            parsed = None
            try:
                if row.fault:
                    raise RowError("wrong shape", row.fault)
                parsed = parse_row(mapping, row.cells, latest=latest)
            except RowError as error:
                refusals.append((row.line, error))
            gathered.append(_Row(row.line, len(gathered) + 1, parsed))
        if stream.digest.hexdigest() != shape.sha256:
            raise Refusal(f"{path} changed while it was read: run the import again with a file that stays as it is.")
    for number in list(waiting):
        release(number)
    flush()
    with transaction(sessions) as session:
        return _finish(session, clock(), import_id, totals)


def _hold_mall(session: Session, code: str) -> Mall:
    """The mall, held so that two imports of one mall stand in a row. Refuses a mall there is not."""
    mall = session.scalar(select(Mall).where(Mall.code == code.upper()).with_for_update(key_share=True))
    if mall is None:
        codes = session.scalars(select(Mall.code).order_by(Mall.code)).all()
        raise Refusal(f"--mall {code}: there is no such mall. There is: {', '.join(codes) or 'none yet'}.")
    return mall


def _begin(
    session: Session, now: datetime, mall: Mall, mapping: SourceMapping, path: Path, shape: Shape, options: ImportOptions
) -> tuple[SalesImport, bool]:
    """The file's row, and whether it was there already: one stopped half-way, or one whose unknown dealers are known by now."""
    work = session.scalar(
        select(SalesImport).where(
            SalesImport.mall_id == mall.id, SalesImport.mapping == mapping.name, SalesImport.file_sha256 == shape.sha256
        )
    )
    if work is None:
        work = SalesImport(
            mall_id=mall.id, mapping=mapping.name, file_name=path.name[:200], file_sha256=shape.sha256, started_at=now
        )
        session.add(work)
        session.flush()
        return work, False
    if work.state == "done" and _dealers_are_known_now(session, work, options):
        work.state = "running"
    return work, True


def _dealers_are_known_now(session: Session, work: SalesImport, options: ImportOptions) -> bool:
    """Whether rows that were refused for want of a dealer may be taken now: they are read again then."""
    unknown = select(ImportRefusal.id).where(ImportRefusal.import_id == work.id, ImportRefusal.reason == _UNKNOWN_DEALER)
    if session.scalar(unknown.limit(1)) is None:
        return False
    return (
        options.create_dealers
        or session.scalar(select(Dealer.id).where(Dealer.created_at > work.started_at).limit(1)) is not None
    )


def _finish(session: Session, now: datetime, import_id: int, totals: Totals) -> SalesImport:
    work = session.get_one(SalesImport, import_id)
    if not totals.proved:
        raise AssertionError(f"an import's rows do not add up: {totals}")
    # By count: an import that was stopped took some of them before.
    tickets = session.scalar(select(func.count(Ticket.id)).where(Ticket.import_id == import_id)) or 0
    if work.finished_at is None or tickets != work.tickets:
        mall = session.get_one(Mall, work.mall_id)
        audit.record(
            session, now, "sales brought in", "import", work.id, detail=f"{mall.code} {work.file_name}: {totals.rows} rows"
        )
    work.state, work.finished_at, work.tickets = "done", now, tickets
    work.rows, work.rows_taken, work.rows_unclaimed = totals.rows, totals.taken, totals.unclaimed
    work.rows_refused, work.rows_here = totals.refused, totals.here
    work.taken_cents, work.unclaimed_cents = totals.taken_cents, totals.unclaimed_cents
    session.flush()
    return work


class _Batch:
    """Some whole tickets of a file, taken in one transaction."""

    def __init__(
        self,
        session: Session,
        now: datetime,
        mall: Mall,
        mapping: SourceMapping,
        options: ImportOptions,
        import_id: int,
        totals: Totals,
        taken_up_again: bool,
    ) -> None:
        self.session, self.now, self.mall, self.mapping = session, now, mall, mapping
        self.options, self.import_id, self.totals = options, import_id, totals
        self.source = f"{mall.code}/{mapping.name}"
        self.dealers = dict(session.execute(select(Dealer.code, Dealer.id)).all())
        self.refusals: list[tuple[int, RowError]] = []
        self.taken_up_again = taken_up_again
        self.settled: list[int] = []
        """Lines that are taken now or were before."""

    def take(self, tickets: Sequence[list[_Row]], refusals: Sequence[tuple[int, RowError]]) -> None:
        self.refusals = list(refusals)
        if self.options.create_dealers:
            self._create_dealers(tickets)
        here = self._here({row.parsed.number for rows in tickets for row in rows if row.parsed})
        fresh = [t for rows in tickets if (t := self._ticket(rows, here))]
        if fresh:
            take_tickets(self.session, self.now, self.mall, fresh)
        self._record_refusals()

    def _here(self, numbers: set[str]) -> dict[str, dict[int, _Before]]:
        """Rows taken before, by ticket number, then by position."""
        wanted = sorted(numbers)
        found: dict[str, dict[int, _Before]] = {}
        for start in range(0, len(wanted), 500):
            rows = self.session.execute(
                select(
                    Ticket.number,
                    TicketLine.position,
                    Ticket.import_id,
                    TicketLine.tag,
                    TicketLine.quantity,
                    TicketLine.tag_cents,
                )
                .join(TicketLine, TicketLine.ticket_id == Ticket.id)
                .where(Ticket.source == self.source, Ticket.number.in_(wanted[start : start + 500]))
            )
            for number, position, import_id, tag, quantity, tag_cents in rows:
                found.setdefault(number, {})[position] = _Before(import_id, tag, quantity, tag_cents)
        return found

    def _ticket(self, rows: Sequence[_Row], here: dict[str, dict[int, _Before]]) -> TicketIn | None:
        """The ticket of the rows that are not in yet; None when there are none."""
        lines: list[LineIn] = []
        first: ParsedRow | None = None
        taken = next((here[row.parsed.number] for row in rows if row.parsed and row.parsed.number in here), {})
        # A row that moved up or down on its ticket would be taken twice, under its new position too. So more of a ticket is taken
        # only when all that was taken of it stands where it stood.
        same = {row.position for row in rows if row.parsed and row.position in taken and taken[row.position].is_row(row.parsed)}
        moved = same != taken.keys()
        for row in rows:
            parsed = row.parsed
            if parsed is None:
                continue
            dealer_id = self.dealers.get(parsed.dealer_code) if parsed.dealer_code else None
            if parsed.dealer_code and dealer_id is None:
                self._refuse(
                    row.line,
                    _UNKNOWN_DEALER,
                    f"Dealer {parsed.dealer_code} is not in the co-op: add the dealer, or import with --create-dealers.",
                )
                continue
            before = taken.get(row.position)
            if before is not None:
                if not before.is_row(parsed):
                    self._refuse(
                        row.line,
                        "differs",
                        f"Item {row.position} of ticket {parsed.number} was taken before as another item, or with another "
                        "quantity or price: a taken sale is not changed; put it right with a return.",
                    )
                elif before.import_id == self.import_id:
                    self._count(row.line, dealer_id, parsed.tag_cents)
                else:
                    self.totals.here += 1
                    self.settled.append(row.line)
                continue
            if moved:
                self._refuse(
                    row.line,
                    "differs",
                    f"Ticket {parsed.number} was taken before, and not every item of it stands where it stood: whether item "
                    f"{row.position} is new cannot be told. Bring the file in with every row of the ticket in its place.",
                )
                continue
            first = first or parsed
            self._count(row.line, dealer_id, parsed.tag_cents)
            lines.append(
                LineIn(
                    position=row.position,
                    dealer_id=dealer_id,
                    tag=parsed.tag,
                    description=parsed.description,
                    quantity=parsed.quantity,
                    unit_price=parsed.unit_price,
                    tag_cents=parsed.tag_cents,
                )
            )
        if first is None:
            return None
        # Rows mended and brought in later, of a ticket that is in already, become a ticket of their own beside it.
        key = f"{self.source}/{first.number}" + (f"+{lines[0].position}" if taken else "")
        pseudonym = hashlib.sha256(f"{self.source}|{first.buyer}".encode()).hexdigest()[:32] if first.buyer else ""
        return TicketIn(
            key=key,
            number=first.number,
            source=self.source,
            kind="return" if self.mapping.is_return(first.number) else "sale",
            sold_at=local_moment(first.sold_at, self.mapping.timezone or self.mall.timezone),
            lines=tuple(lines),
            tenders=(TenderIn(self.mapping.tender),),
            taxed=self.mapping.taxed,
            buyer_key=pseudonym,
            import_id=self.import_id,
        )

    def _count(self, line: int, dealer_id: int | None, amount_cents: int) -> None:
        self.settled.append(line)
        if dealer_id is None:
            self.totals.unclaimed += 1
            self.totals.unclaimed_cents += amount_cents
        else:
            self.totals.taken += 1
            self.totals.taken_cents += amount_cents

    def _refuse(self, line: int, reason: str, sentence: str) -> None:
        self.refusals.append((line, RowError(reason, sentence)))

    def _record_refusals(self) -> None:
        self.totals.refused += len(self.refusals)
        if self.taken_up_again:
            # What was refused the last time and is taken now (its dealer is known by now) is refused no longer.
            for start in range(0, len(self.settled), 500):
                taken = ImportRefusal.row.in_(self.settled[start : start + 500])
                self.session.execute(delete(ImportRefusal).where(ImportRefusal.import_id == self.import_id, taken))
        if self.refusals:
            self.session.execute(
                insert_ignoring(self.session, ImportRefusal),
                [
                    {"import_id": self.import_id, "row": line, "reason": e.reason[:40], "sentence": f"Line {line}: {e}"}
                    for line, e in self.refusals
                ],
            )

    def _create_dealers(self, tickets: Sequence[list[_Row]]) -> None:
        """Make the dealers the rows name, each with a plain lease without rent that covers the sale."""
        earliest: dict[str, date] = {}
        for rows in tickets:
            for row in rows:
                if row.parsed and row.parsed.dealer_code:
                    day = row.parsed.sold_at.date()
                    earliest[row.parsed.dealer_code] = min(day, earliest.get(row.parsed.dealer_code, day))
        starts = dict(
            self.session.execute(
                select(Lease.dealer_id, func.min(Lease.starts_on)).where(Lease.mall_id == self.mall.id).group_by(Lease.dealer_id)
            ).all()
        )
        percent = self.session.get_one(Cooperative, 1).commission_percent
        for code, day in sorted(earliest.items()):
            first_day = Month.of(day).first_day
            if code not in self.dealers:
                dealer = add_dealer(self.session, self.now, code, name=f"Dealer {code}", joined_on=first_day)
                self.dealers[code] = dealer.id
            dealer_id = self.dealers[code]
            held_from = starts.get(dealer_id)
            if held_from is None or held_from > day:
                make_lease(
                    self.session,
                    self.now,
                    self.mall,
                    self.session.get_one(Dealer, dealer_id),
                    starts_on=first_day,
                    ends_on=held_from - timedelta(days=1) if held_from else None,
                    commission_percent=percent,
                )


def refusals_by_reason(session: Session, import_id: int) -> list[tuple[str, int]]:
    """How many rows were refused for each reason, most first."""
    rows = session.execute(
        select(ImportRefusal.reason, func.count())
        .where(ImportRefusal.import_id == import_id)
        .group_by(ImportRefusal.reason)
        .order_by(func.count().desc(), ImportRefusal.reason)
    )
    return [(reason, count) for reason, count in rows]
