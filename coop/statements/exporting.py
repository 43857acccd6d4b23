"""A month's statements written to a folder, and their lines for other programs."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.statements.domain import StatementValue, from_json
from coop.statements.lines_csv import lines_csv
from coop.statements.models import Statement
from coop.statements.service import counted

_AT_ONCE = 20
"""Documents read in one transaction."""


@dataclass(frozen=True)
class Exported:
    """What was written to a folder."""

    written: int
    unchanged: int


def export_statements(sessions: Sessions, mall: Mall, month: Month, folder: Path) -> Exported:
    """Write a month's PDFs to a folder, each whole or not at all; those that are there already are left.

    Opens transactions of its own, each for a few documents, and none while it writes: the disk's pace is not the database's.
    Refuses when no statement has been made, and when the folder cannot take one (a full disk), naming it.
    """
    with transaction(sessions) as session:
        listed = session.execute(
            select(Document.id, Document.file_name, Document.sha256)
            .join(Statement, Statement.document_id == Document.id)
            .where(Statement.mall_id == mall.id, Statement.first_day == month.first_day)
            .order_by(Statement.number)
        ).all()
    if not listed:
        raise Refusal(f"No statement of {month.name} has been made at {mall.code}: close the month first.")
    written = unchanged = 0
    name = "a statement"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for start in range(0, len(listed), _AT_ONCE):
            wanted = {}
            for document_id, name, digest in listed[start : start + _AT_ONCE]:
                target = folder / name
                if target.is_file() and hashlib.sha256(target.read_bytes()).hexdigest() == digest:
                    unchanged += 1
                else:
                    wanted[document_id] = target
            with transaction(sessions) as session:
                read = contents(session, list(wanted))
            for document_id, content in read.items():
                name = wanted[document_id].name
                write_file(wanted[document_id], content)
                written += 1
    except OSError as error:
        raise Refusal(
            f"--to {folder}: {name} could not be written ({error.strerror}). "
            f"{counted(written, 'was', 'were')} written before; make room or choose another folder, and run it again."
        ) from error
    return Exported(written, unchanged)


def contents(session: Session, document_ids: list[int]) -> dict[int, bytes]:
    """The bytes of documents, read whole."""
    rows = session.execute(select(Document.id, Document.content).where(Document.id.in_(document_ids)).order_by(Document.id))
    return {row.id: row.content for row in rows}


def write_file(target: Path, content: bytes) -> None:
    """Write beside, then rename: a name never stands for half a file."""
    part = target.with_name(f".{target.name}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def lines_file(session: Session, mall: Mall, month: Month, *, dealer: Dealer | None = None) -> Iterator[str]:
    """The lines of a month's statements as CSV, by statement number: of all of a mall, or of one dealer.

    Refuses when none has been made.
    """
    rows = (
        select(Statement)
        .where(Statement.mall_id == mall.id, Statement.first_day == month.first_day)
        .options(undefer(Statement.value_json))
        .order_by(Statement.number)
        .execution_options(yield_per=_AT_ONCE)
    )
    if dealer is not None:
        rows = rows.where(Statement.dealer_id == dealer.id)
    if session.scalar(rows.with_only_columns(Statement.id).limit(1)) is None:
        whose = f" of {dealer.code}" if dealer else ""
        raise Refusal(f"No statement{whose} of {month.name} has been made at {mall.code}: close the month first.")
    scope = f"{dealer.code} at {mall.code}" if dealer else f"mall {mall.code}"
    values = (from_json(one.value_json) for one in session.scalars(rows))
    return lines_csv(values, scope=scope, first_day=month.first_day, last_day=month.last_day)


def lines_of(value: StatementValue) -> str:
    """One statement's lines as CSV."""
    scope = f"{value.dealer_code} at {value.mall_code}"
    return "".join(lines_csv([value], scope=scope, first_day=value.first_day, last_day=value.last_day))


def lines_name(number: str) -> str:
    """`lines-MAIN.D01.2010-12.csv`: of a statement's number, or `MAIN.2010-12` for all of a month."""
    return "lines-" + "".join(c if c.isascii() and (c.isalnum() or c in ".-") else "-" for c in number) + ".csv"
