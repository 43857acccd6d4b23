"""Files of sales as another register writes them, in the layout of the mapping `open-retail`."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

HEADINGS = ("InvoiceNo", "StockCode", "Description", "Quantity", "InvoiceDate", "UnitPrice", "CustomerID", "Country")
Row = tuple[str, ...]


def row(
    ticket: str = "536365",
    tag: str = "60",
    description: str = "BLUE GLASS JAR",
    quantity: str = "1",
    sold_at: str = "2025-03-03 10:15:00",
    price: str = "2.55",
    buyer: str = "17850",
    country: str = "United Kingdom",
) -> Row:
    """One row. Tag 60 is dealer D01's, 61 D02's and so on; a tag without leading digits is nobody's."""
    return (ticket, tag, description, quantity, sold_at, price, buyer, country)


def csv_text(rows: Iterable[Sequence[str]], headings: Sequence[str] = HEADINGS) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([headings, *rows])
    return text.getvalue()


def write_csv(path: Path, rows: Iterable[Sequence[str]], *, headings: Sequence[str] = HEADINGS, encoding: str = "utf-8") -> Path:
    """A plain file, or a gzip where the name ends so."""
    content = csv_text(rows, headings).encode(encoding)
    path.write_bytes(gzip.compress(content) if path.suffix == ".gz" else content)
    return path


def many_rows(count: int, *, per_ticket: int = 20, dealers: int = 3) -> list[Row]:
    """So many sales of March 2025 on tickets of so many rows, with prices that have parts of a cent now and then."""
    return [
        row(
            ticket=str(700000 + n // per_ticket),
            tag=str(60 + n % dealers),
            description=f"ITEM {n % 97}",
            quantity=str(1 + n % 4),
            sold_at=f"2025-03-{1 + n * 30 // count:02d} {9 + n % 9:02d}:00:00",
            price=f"{1 + n % 50}.{n % 1000:03d}",
            buyer=str(17000 + n // per_ticket % 400),
        )
        for n in range(count)
    ]
