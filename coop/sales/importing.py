"""A file of sales brought in: every row taken, unclaimed, or refused with its reason, and the totals prove it."""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.service import insert_ignoring
from coop.core import faults
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.leases.service import make_lease
from coop.sales.domain import MAPPINGS, LineIn, ParsedRow, RowError, SourceMapping, TenderIn, TicketIn, parse_row
from coop.sales.models import ImportRefusal, SalesImport, Ticket, TicketLine
from coop.sales.service import local_moment, take_tickets

BATCH_ROWS = 5000

Progress = Callable[[int, int], None]


def mapping_named(name: str) -> SourceMapping:
    """The mapping of that name. Refuses one there is not, naming those there are."""
    if name not in MAPPINGS:
        raise Refusal(f"--mapping {name}: there is no such mapping. There is: {', '.join(sorted(MAPPINGS))}.")
    return MAPPINGS[name]


# --- the file -----------------------------------------------------------------------------------------------------------


class _Hashed(io.RawIOBase):
    """A byte stream that hashes what passes through it: a file and its gzip have the same name."""

    def __init__(self, inner: io.BufferedIOBase) -> None:
        self.inner, self.digest = inner, hashlib.sha256()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self.inner.read(len(buffer))
        buffer[: len(data)] = data
        self.digest.update(data)
        return len(data)


@contextmanager
def _open(path: Path) -> Iterator[_Hashed]:
    """The file's plain bytes, whether it is compressed or not: by its content, not its name."""
    try:
        with path.open("rb") as file:
            packed = file.peek(2)[:2] == b"\x1f\x8b"
            inner: io.BufferedIOBase = gzip.GzipFile(fileobj=file) if packed else file
            yield _Hashed(inner)
    except IsADirectoryError as error:
        raise Refusal(f"{path} is a folder, not a file of sales.") from error
    except FileNotFoundError as error:
        raise Refusal(f"{path} is not there.") from error
    except (gzip.BadGzipFile, EOFError) as error:
        raise Refusal(f"{path} is a damaged gzip file ({error}): copy it again from its source.") from error
    except PermissionError as error:
        raise Refusal(f"{path} may not be read by this user.") from error


def _rows(path: Path, mapping: SourceMapping, stream: _Hashed, encoding: str) -> Iterator[tuple[int, dict[str, str] | str]]:
    """Each row with its line number: as columns, or as the sentence that says why it is no row of the file's shape."""
    text = io.TextIOWrapper(io.BufferedReader(stream, 1 << 16), encoding=encoding, errors="strict", newline="")
    reader = csv.reader(text, strict=True)
    line = 1
    try:
        heading = next(reader, None)
        if heading is None:
            raise Refusal(f"{path} is empty: its first line must hold the headings {', '.join(mapping.columns)}.")
        names = [name.strip() for name in heading]
        missing = [column for column in mapping.columns if column not in names]
        if missing:
            hint = " Its columns must be separated by commas." if len(names) == 1 else ""
            raise Refusal(f"{path} lacks the column {', '.join(missing)}; its headings are: {', '.join(names)[:300]}.{hint}")
        twice = [name for name in mapping.columns if names.count(name) > 1]
        if twice:
            raise Refusal(f"{path} has the column {twice[0]} twice: remove or rename one.")
        while True:
            line = reader.line_num + 1
            cells = next(reader, None)
            if cells is None:
                return
            if not cells:
                continue
            if len(cells) != len(names):
                yield line, f"The row has {len(cells)} cells where the heading has {len(names)}: look for a stray comma or quote."
            else:
                yield line, dict(zip(names, cells, strict=True))
    except UnicodeDecodeError as error:
        found = "UTF-16" if error.object[:2] in (b"\xff\xfe", b"\xfe\xff") and line == 1 else "another encoding"
        raise Refusal(
            f"{path} is not {encoding} near line {line} (byte 0x{error.object[error.start]:02x}): it seems to be in {found}. "
            "Save it as UTF-8, or say what it is with --encoding, such as --encoding cp1252."
        ) from error
    except csv.Error as error:
        raise Refusal(f"{path} is not readable as CSV at line {line}: {error}. Look for an unclosed quote there.") from error


@dataclass
class Shape:
    """What a first reading finds: nothing is written yet."""

    sha256: str = ""
    rows: int = 0
    tickets: Counter[str] = field(default_factory=Counter)
    """Rows of each ticket, so that the second reading knows when it has them all, wherever they stand."""


def read_shape(path: Path, mapping: SourceMapping, encoding: str = "utf-8-sig") -> Shape:
    """Read a file through without taking anything. Refuses one that is not CSV of the mapping's shape to its last byte."""
    try:
        "".encode(encoding)
    except LookupError as error:
        raise Refusal(f"--encoding {encoding}: there is no such encoding; use one such as utf-8 or cp1252.") from error
    shape = Shape()
    with _open(path) as stream:
        for _line, row in _rows(path, mapping, stream, encoding):
            shape.rows += 1
            if not isinstance(row, str):
                shape.tickets[row[mapping.ticket].strip()] += 1
        shape.sha256 = stream.digest.hexdigest()
    return shape


# --- taking -------------------------------------------------------------------------------------------------------------


@dataclass
class Totals:
    """Control totals of an import: rows are taken, unclaimed, refused or here already, and nothing else."""

    rows: int = 0
    taken: int = 0
    unclaimed: int = 0
    refused: int = 0
    here: int = 0
    tickets: int = 0
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
    quantity: int
    tag_cents: int


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
    mapping = mapping_named(options.mapping)
    shape = read_shape(path, mapping, options.encoding)
    with transaction(sessions) as session:
        mall = _hold_mall(session, options.mall_code)
        work = _begin(session, clock(), mall, mapping, path, shape)
        import_id = work.id
        if work.state == "done":
            return work
    totals = Totals()
    waiting: dict[str, list[_Row]] = {}
    ready: list[list[_Row]] = []
    refusals: list[tuple[int, RowError]] = []
    ready_rows = 0

    def flush() -> None:
        with transaction(sessions) as session:
            mall = _hold_mall(session, options.mall_code)
            batch = _Batch(session, clock(), mall, mapping, options, import_id, totals)
            batch.take(ready, refusals)
            faults.point("import:before-commit")
        faults.point("import:batch")
        if progress:
            progress(totals.rows, shape.rows)

    with _open(path) as stream:
        for line, row in _rows(path, mapping, stream, options.encoding):
            if isinstance(row, str):
                refusals.append((line, RowError("wrong shape", row)))
                totals.rows += 1
                continue
            number = row[mapping.ticket].strip()
            gathered = waiting.setdefault(number, [])
            try:
                gathered.append(_Row(line, len(gathered) + 1, parse_row(mapping, row)))
            except RowError as error:
                gathered.append(_Row(line, len(gathered) + 1, None))
                refusals.append((line, error))
            if len(gathered) == shape.tickets[number]:
                del waiting[number]
                ready.append(gathered)
                ready_rows += len(gathered)
                totals.rows += len(gathered)
            if ready_rows + len(refusals) >= BATCH_ROWS:
                flush()
                ready, refusals, ready_rows = [], [], 0
        if stream.digest.hexdigest() != shape.sha256 or waiting:
            raise Refusal(f"{path} changed while it was read: run the import again with a file that stays as it is.")
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


def _begin(session: Session, now: datetime, mall: Mall, mapping: SourceMapping, path: Path, shape: Shape) -> SalesImport:
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
    return work


def _finish(session: Session, now: datetime, import_id: int, totals: Totals) -> SalesImport:
    work = session.get_one(SalesImport, import_id)
    if not totals.proved:
        raise AssertionError(f"an import's rows do not add up: {totals}")
    work.state, work.finished_at = "done", now
    work.rows, work.rows_taken, work.rows_unclaimed = totals.rows, totals.taken, totals.unclaimed
    work.rows_refused, work.rows_here, work.tickets = totals.refused, totals.here, totals.tickets
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
    ) -> None:
        self.session, self.now, self.mall, self.mapping = session, now, mall, mapping
        self.options, self.import_id, self.totals = options, import_id, totals
        self.source = f"{mall.code}/{mapping.name}"
        self.dealers = dict(session.execute(select(Dealer.code, Dealer.id)).tuples().all())
        self.refusals: list[tuple[int, RowError]] = []

    def take(self, tickets: Sequence[list[_Row]], refusals: Sequence[tuple[int, RowError]]) -> None:
        self.refusals = list(refusals)
        if self.options.create_dealers:
            self._create_dealers(tickets)
        here = self._here({row.parsed.number for rows in tickets for row in rows if row.parsed})
        fresh = [t for rows in tickets if (t := self._ticket(rows, here))]
        if fresh:
            take_tickets(self.session, self.now, self.mall, fresh)
            self.totals.tickets += len(fresh)
        self._record_refusals()

    def _here(self, numbers: set[str]) -> dict[tuple[str, int], _Before]:
        """Rows taken before, by ticket number and position."""
        wanted = sorted(numbers)
        found: dict[tuple[str, int], _Before] = {}
        for start in range(0, len(wanted), 500):
            rows = self.session.execute(
                select(Ticket.number, TicketLine.position, Ticket.import_id, TicketLine.quantity, TicketLine.tag_cents)
                .join(TicketLine, TicketLine.ticket_id == Ticket.id)
                .where(Ticket.source == self.source, Ticket.number.in_(wanted[start : start + 500]))
            )
            for number, position, import_id, quantity, tag_cents in rows:
                found[(number, position)] = _Before(import_id, quantity, tag_cents)
        return found

    def _ticket(self, rows: Sequence[_Row], here: dict[tuple[str, int], _Before]) -> TicketIn | None:
        """The ticket of the rows that are not in yet; None when there are none."""
        lines: list[LineIn] = []
        first: ParsedRow | None = None
        for row in rows:
            parsed = row.parsed
            if parsed is None:
                continue
            dealer_id = self.dealers.get(parsed.dealer_code) if parsed.dealer_code else None
            if parsed.dealer_code and dealer_id is None:
                self._refuse(
                    row.line,
                    "unknown dealer",
                    f"Dealer {parsed.dealer_code} is not in the co-op: add the dealer, or import with --create-dealers.",
                )
                continue
            before = here.get((parsed.number, row.position))
            if before is not None:
                if (before.quantity, before.tag_cents) != (parsed.quantity, parsed.tag_cents):
                    self._refuse(
                        row.line,
                        "differs",
                        f"Item {row.position} of ticket {parsed.number} was taken before with another quantity or price: "
                        "a taken sale is not changed; put it right with a return.",
                    )
                elif before.import_id == self.import_id:
                    self._count(dealer_id, parsed.tag_cents)
                else:
                    self.totals.here += 1
                continue
            first = first or parsed
            self._count(dealer_id, parsed.tag_cents)
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
        beside = any((first.number, row.position) in here for row in rows)
        key = f"{self.source}/{first.number}" + (f"+{lines[0].position}" if beside else "")
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

    def _count(self, dealer_id: int | None, amount_cents: int) -> None:
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
            )
            .tuples()
            .all()
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
