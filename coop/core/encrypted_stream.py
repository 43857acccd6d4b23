"""A stream of bytes under a passphrase: encrypted and authenticated in chunks, so that a large one never has to fit in memory.

Layout: 16 bytes of magic, 16 of salt, 7 of nonce prefix; then chunks of 64 KiB, each with its 16-byte tag, the last one
shorter or equal. The key is scrypt(passphrase, salt) with n = 2**17, r = 8, p = 1. A chunk's nonce is prefix, its number, and
whether it is the last, and the header is authenticated with each: so no chunk can be changed, moved, dropped or cut off.
Source: the STREAM construction of Hoang, Reyhanitabar, Rogaway and Vizar, "Online Authenticated-Encryption and its
Nonce-Reuse Misuse-Resistance" (2015), with AES-256-GCM; scrypt is RFC 7914.
"""

from __future__ import annotations

import io
import secrets
from typing import Any, BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

MAGIC = b"coop encrypted 1"
CHUNK = 64 * 1024
_SALT, _PREFIX, _TAG = 16, 7, 16


class CannotDecrypt(Exception):
    """A chunk does not hold what was written. `first`: the very first one, so the passphrase may be the wrong one."""

    def __init__(self, *, first: bool) -> None:
        super().__init__("the passphrase is wrong or the data is damaged" if first else "the data is damaged")
        self.first = first


class _Chunks:
    """Numbers chunks and makes their nonces."""

    def __init__(self, passphrase: str, header: bytes) -> None:
        salt, self._prefix = header[len(MAGIC) : -_PREFIX], header[-_PREFIX:]
        self._cipher = AESGCM(Scrypt(salt=salt, length=32, n=2**17, r=8, p=1).derive(passphrase.encode()))
        self._header = header
        self.number = 0

    def _next_nonce(self, last: bool) -> bytes:
        nonce = self._prefix + self.number.to_bytes(4, "big") + bytes([last])
        self.number += 1
        return nonce

    def encrypt(self, plain: bytes, last: bool) -> bytes:
        return self._cipher.encrypt(self._next_nonce(last), plain, self._header)

    def decrypt(self, sealed: bytes, last: bool) -> bytes:
        try:
            return self._cipher.decrypt(self._next_nonce(last), sealed, self._header)
        except InvalidTag as error:
            raise CannotDecrypt(first=self.number == 1) from error


class EncryptingWriter(io.RawIOBase):
    """Writes into `file`, which stays open. Without `finish` nobody can read it."""

    def __init__(self, file: BinaryIO, passphrase: str) -> None:
        super().__init__()
        self._file = file
        header = MAGIC + secrets.token_bytes(_SALT + _PREFIX)
        self._chunks = _Chunks(passphrase, header)
        self._waiting = bytearray()
        file.write(header)

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._waiting += data
        while len(self._waiting) > CHUNK:
            self._file.write(self._chunks.encrypt(bytes(self._waiting[:CHUNK]), last=False))
            del self._waiting[:CHUNK]
        return len(data)

    def finish(self) -> None:
        """Write the last chunk. Not done by `close`, which also runs when the writing failed."""
        self._file.write(self._chunks.encrypt(bytes(self._waiting), last=True))
        self._waiting.clear()


class DecryptingReader(io.RawIOBase):
    """Reads what EncryptingWriter wrote, from a `file` at its beginning. Reading raises CannotDecrypt."""

    def __init__(self, file: BinaryIO, passphrase: str) -> None:
        super().__init__()
        self._file = file
        header = file.read(len(MAGIC) + _SALT + _PREFIX)
        if len(header) != len(MAGIC) + _SALT + _PREFIX or not header.startswith(MAGIC):
            raise CannotDecrypt(first=False)
        self._chunks = _Chunks(passphrase, header)
        self._plain = b""
        self._sealed = file.read(CHUNK + _TAG)
        self._ended = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._plain and not self._ended:
            following = self._file.read(CHUNK + _TAG)
            self._ended = not following
            self._plain = self._chunks.decrypt(self._sealed, last=self._ended)
            self._sealed = following
        count = min(len(buffer), len(self._plain))
        buffer[:count] = self._plain[:count]
        self._plain = self._plain[count:]
        return count
