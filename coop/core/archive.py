"""The archive a co-op is kept in: a gzipped tar, encrypted if a passphrase is given.

It holds the database (SQLite's own copy, or `pg_dump -Fc`), the key files, the post-box, and last the manifest, which names
every file's size and SHA-256 and every table's count of rows. An archive that was cut short has no manifest.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import re
import shutil
import tarfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

from coop.config import FIELD_KEYS_FILE
from coop.core.encrypted_stream import MAGIC, CannotDecrypt, DecryptingReader, EncryptingWriter
from coop.core.errors import Refusal

FORMAT = "coop-backup-1"
DUMPS = {"sqlite": "database.sqlite3", "postgresql": "database.pgdump"}
"""Name of the database in the archive, by its kind."""
KEY_FILES = ("secret-key", FIELD_KEYS_FILE)
"""Made in the data folder where the environment gives none: of cookies, and of what is kept sealed."""
_MANIFEST = "manifest.json"
_MAIL_FILE = re.compile(r"mail/(new|cur)/[^/\0]{1,255}")


@dataclass(frozen=True)
class Manifest:
    """What an archive says of itself."""

    engine: str
    """`sqlite` or `postgresql`."""
    revision: str
    """Of the database's tables."""
    program: str
    made_at: str
    counts: dict[str, int]
    """Rows of each table."""
    files: dict[str, list[Any]]
    """Size in bytes and SHA-256 of each file."""

    @property
    def rows(self) -> int:
        return sum(self.counts.values())

    @property
    def mails(self) -> int:
        return sum(name.startswith("mail/") for name in self.files)


class ArchiveWriter:
    """Puts files into an archive, and remembers their sizes and hashes for the manifest."""

    def __init__(self, tar: tarfile.TarFile) -> None:
        self._tar = tar
        self.files: dict[str, list[Any]] = {}

    def add(self, name: str, content: bytes) -> None:
        self._add(name, len(content), io.BytesIO(content))

    def add_file(self, name: str, path: Path) -> None:
        with path.open("rb") as content:
            self._add(name, path.stat().st_size, content)

    def add_manifest(self, manifest: Manifest) -> None:
        """Last, when all else is in."""
        self.add(_MANIFEST, json.dumps({"format": FORMAT, **vars(manifest)}, indent=1, sort_keys=True).encode())

    def _add(self, name: str, size: int, content: BinaryIO) -> None:
        info = tarfile.TarInfo(name)
        info.size, info.mode = size, 0o600
        reading = _Hashing(content)
        self._tar.addfile(info, cast(BinaryIO, reading))
        self.files[name] = [size, reading.digest.hexdigest()]


@contextmanager
def writing_archive(file: BinaryIO, passphrase: str, level: int) -> Iterator[ArchiveWriter]:
    """An archive written into `file`, encrypted if there is a passphrase; compressed at `level` (1 fast to 9 small)."""
    cipher = EncryptingWriter(file, passphrase) if passphrase else None
    sink = cast(BinaryIO, cipher or file)
    with gzip.GzipFile(filename="", mode="wb", compresslevel=level, fileobj=sink, mtime=0) as zipped:
        with tarfile.open(fileobj=zipped, mode="w|", format=tarfile.PAX_FORMAT) as tar:
            yield ArchiveWriter(tar)
    if cipher is not None:
        cipher.finish()


class _Hashing:
    """A file that is hashed as it is read."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.digest = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self.digest.update(data)
        return data


def is_encrypted(archive: Path) -> bool:
    """Whether a passphrase is needed. Raises Refusal if the file cannot be read."""
    try:
        with archive.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError as error:
        raise Refusal(f"{archive} cannot be read: {error.strerror}.") from error


def unpack(archive: Path, passphrase: str, work: Path) -> Manifest:
    """Unpack into the work folder, and compare every file with the manifest. Takes only names that we write."""
    damaged = f"{archive} is damaged or cut short: nothing was restored. Take another copy of it."
    found: dict[str, list[Any]] = {}
    try:
        with archive.open("rb") as file:
            plain: Any = io.BufferedReader(DecryptingReader(file, passphrase)) if is_encrypted(archive) else file
            with gzip.GzipFile(fileobj=plain, mode="rb") as unzipped:
                with tarfile.open(fileobj=unzipped, mode="r|") as tar:
                    for info in tar:
                        known = info.name in (*KEY_FILES, _MANIFEST, *DUMPS.values()) or _MAIL_FILE.fullmatch(info.name)
                        content = tar.extractfile(info) if info.isreg() else None
                        if not known or content is None or info.name in found:
                            raise Refusal(f"{archive} is not a backup of a co-op: it holds {info.name!r}.")
                        reading = _Hashing(cast(BinaryIO, content))
                        path = work / info.name
                        path.parent.mkdir(parents=True, exist_ok=True)
                        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as target:
                            shutil.copyfileobj(cast(BinaryIO, reading), target, 1024 * 1024)
                        found[info.name] = [info.size, reading.digest.hexdigest()]
                while unzipped.read(1024 * 1024):  # to its end, where its own checksum is
                    pass
    except CannotDecrypt as error:
        if error.first:
            raise Refusal(
                f"{archive} does not open: the passphrase is not the one it was made with, or the file is damaged. "
                "Nothing was restored."
            ) from error
        raise Refusal(damaged) from error
    except (tarfile.TarError, EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise Refusal(damaged) from error
    found.pop(_MANIFEST, None)
    try:
        said = json.loads((work / _MANIFEST).read_bytes())
        if said.pop("format") != FORMAT:
            raise Refusal(f"{archive} has a form that this version does not know. Install a newer version, then restore.")
        manifest = Manifest(**said)
        dump = DUMPS[manifest.engine]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise Refusal(damaged) from error
    if manifest.files != found or dump not in found:
        raise Refusal(damaged)
    return manifest
