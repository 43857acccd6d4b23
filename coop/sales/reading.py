"""A file of somebody else's sales, read row by row: plain or gzip, judged by its content, never held whole."""

from __future__ import annotations

import codecs
import csv
import gzip
import hashlib
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coop.core.errors import Refusal
from coop.sales.domain import SourceMapping


class HashedStream(io.RawIOBase):
    """A byte stream that hashes what passes through it: a file and its gzip have the same name.

    Raises Refusal, naming the file, for bytes that cannot be had.
    """

    def __init__(self, path: Path, inner: io.BufferedIOBase) -> None:
        self.path, self.inner, self.digest = path, inner, hashlib.sha256()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            data = self.inner.read(len(buffer))
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            raise Refusal(f"{self.path} is a damaged gzip file ({error}): copy it again from its source.") from error
        except OSError as error:
            raise Refusal(f"{self.path} cannot be read ({error.strerror}): copy it again from its source.") from error
        buffer[: len(data)] = data
        self.digest.update(data)
        return len(data)


@contextmanager
def open_sales(path: Path) -> Iterator[HashedStream]:
    """The file's plain bytes, whether it is compressed or not: by its content, not its name."""
    try:
        with path.open("rb") as file:
            packed = file.peek(2)[:2] == b"\x1f\x8b"
            inner: io.BufferedIOBase = gzip.GzipFile(fileobj=file) if packed else file
            yield HashedStream(path, inner)
    except IsADirectoryError as error:
        raise Refusal(f"{path} is a folder, not a file of sales.") from error
    except FileNotFoundError as error:
        raise Refusal(f"{path} is not there.") from error
    except PermissionError as error:
        raise Refusal(f"{path} may not be read by this user.") from error


@dataclass(frozen=True)
class FileRow:
    """One row of the file."""

    line: int
    """The heading's is 1."""
    number: str
    """The ticket's, as far as it can be told: of a row of a wrong shape it is what stands in that column."""
    cells: dict[str, str]
    """By heading; empty when the row is of a wrong shape."""
    fault: str = ""
    """Why it is no row of the file's shape, as a sentence."""


def read_rows(path: Path, mapping: SourceMapping, stream: HashedStream, encoding: str) -> Iterator[FileRow]:
    """Each row. Refuses a file whose heading is not the mapping's, and one that is not CSV or not text of that encoding."""
    text = io.TextIOWrapper(io.BufferedReader(stream, 1 << 16), encoding=encoding, errors="strict", newline="")
    reader = csv.reader(text, strict=True)
    line = 1
    try:
        heading = next(reader, None)
        if heading is None:
            raise Refusal(f"{path} is empty: its first line must hold the headings {', '.join(mapping.columns)}.")
        if any("\0" in name for name in heading):
            raise Refusal(f"{path} holds NUL bytes in its heading: it is no CSV file, or it is in UTF-16; save it as UTF-8.")
        names = [name.strip() for name in heading]
        missing = [column for column in mapping.columns if column not in names]
        if missing:
            hint = " Its columns must be separated by commas." if len(names) == 1 else ""
            raise Refusal(f"{path} lacks the column {', '.join(missing)}; its headings are: {', '.join(names)[:300]}.{hint}")
        twice = [name for name in (*mapping.columns, mapping.buyer) if names.count(name) > 1]
        if twice:
            raise Refusal(f"{path} has the column {twice[0]} twice: remove or rename one.")
        at = names.index(mapping.ticket)
        while True:
            line = reader.line_num + 1
            cells = next(reader, None)
            if cells is None:
                return
            if not cells:
                continue
            number = cells[at].strip() if at < len(cells) else ""
            if len(cells) != len(names):
                fault = f"The row has {len(cells)} cells where the heading has {len(names)}: look for a stray comma or quote."
                yield FileRow(line, number, {}, fault)
            elif any("\0" in cell for cell in cells):
                yield FileRow(line, number, {}, "The row holds a NUL byte: take it out.")
            else:
                yield FileRow(line, number, dict(zip(names, cells, strict=True)))
    except UnicodeDecodeError as error:
        found = "UTF-16" if error.object[:2] in (b"\xff\xfe", b"\xfe\xff") and not reader.line_num else "another encoding"
        # The text is decoded some lines ahead of the row that is read.
        line = reader.line_num + 1 + error.object.count(b"\n", 0, error.start)
        named = encoding.upper().removesuffix("-SIG")
        raise Refusal(
            f"{path} is not {named} in line {line} (byte 0x{error.object[error.start]:02x}): it seems to be in {found}. "
            "Save it as UTF-8, or say what it is with --encoding, such as --encoding cp1252."
        ) from error
    except csv.Error as error:
        raise Refusal(f"{path} is not readable as CSV at line {line}: {error}. Look for an unclosed quote there.") from error


class _Seen:
    """Names that were perhaps seen, in four megabytes however many there are: a Bloom filter. "No" is certain.

    Source: Bloom, B. H. (1970), Space/time trade-offs in hash coding with allowable errors.
    """

    def __init__(self) -> None:
        self.bits = bytearray(1 << 22)

    def _places(self, name: str) -> list[int]:
        digest = int.from_bytes(hashlib.blake2b(name.encode("utf-8", "surrogatepass"), digest_size=16).digest(), "big")
        return [(digest >> 25 * n) % (1 << 25) for n in range(5)]

    def __contains__(self, name: str) -> bool:
        return all(self.bits[place >> 3] >> (place & 7) & 1 for place in self._places(name))

    def add(self, name: str) -> None:
        for place in self._places(name):
            self.bits[place >> 3] |= 1 << (place & 7)


@dataclass
class Shape:
    """What a first reading finds: nothing is written yet."""

    sha256: str = ""
    rows: int = 0
    scattered: set[str] = field(default_factory=set)
    """Tickets whose rows do not stand together (and perhaps, rarely, one whose rows do): they are whole at the file's end."""


def codec_of(encoding: str) -> str:
    """The encoding's name for Python; a byte-order mark is no part of UTF-8 text. Refuses one there is not."""
    try:
        "a,b".encode(encoding)
        return "utf-8-sig" if codecs.lookup(encoding).name == "utf-8" else encoding
    except (LookupError, ValueError) as error:
        raise Refusal(f"--encoding {encoding}: there is no such encoding; use one such as utf-8 or cp1252.") from error


def read_shape(path: Path, mapping: SourceMapping, encoding: str) -> Shape:
    """Read a file through without taking anything. Refuses one that is not CSV of the mapping's shape to its last byte."""
    shape, ended, current = Shape(), _Seen(), None
    with open_sales(path) as stream:
        for row in read_rows(path, mapping, stream, encoding):
            shape.rows += 1
            if row.number != current:
                if current is not None:
                    ended.add(current)
                if row.number in ended:
                    shape.scattered.add(row.number)
                current = row.number
        shape.sha256 = stream.digest.hexdigest()
    return shape
