"""The encrypted stream: what was written is read, and nothing else."""

from __future__ import annotations

import io

import pytest

from coop.core.encrypted_stream import CHUNK, MAGIC, CannotDecrypt, DecryptingReader, EncryptingWriter

PASSPHRASE = "walnut drawer brass key"
HEADER = len(MAGIC) + 16 + 7
SEALED = CHUNK + 16


def sealed(plain: bytes, piece: int = 10_000) -> bytes:
    file = io.BytesIO()
    writer = EncryptingWriter(file, PASSPHRASE)
    for start in range(0, len(plain), piece):
        writer.write(plain[start : start + piece])
    writer.finish()
    return file.getvalue()


def opened(content: bytes, passphrase: str = PASSPHRASE) -> bytes:
    return DecryptingReader(io.BytesIO(content), passphrase).read() or b""


@pytest.mark.parametrize("size", [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK])
def test_what_was_written_is_read_at_every_size_around_a_chunk(size: int) -> None:
    plain = bytes(index % 251 for index in range(size))
    content = sealed(plain)
    assert opened(content) == plain
    assert len(content) == HEADER + size + 16 * max(1, -(-size // CHUNK))
    assert plain[:16] not in content or size < 16


def test_two_of_the_same_are_not_alike() -> None:
    assert sealed(b"x" * 100)[len(MAGIC) :] != sealed(b"x" * 100)[len(MAGIC) :]


def test_the_wrong_passphrase_is_told_at_the_first_chunk() -> None:
    with pytest.raises(CannotDecrypt) as told:
        opened(sealed(b"x" * 100), "walnut drawer brass keY")
    assert told.value.first


PLAIN = bytes(range(256)) * (3 * CHUNK // 256) + b"the end"
CONTENT = sealed(PLAIN)
FIRST, SECOND, THIRD, LAST = (CONTENT[HEADER + n * SEALED : HEADER + (n + 1) * SEALED] for n in range(4))


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(CONTENT[:HEADER] + SECOND + FIRST + THIRD + LAST, id="two chunks change places"),
        pytest.param(CONTENT[:HEADER] + FIRST + THIRD + LAST, id="a chunk is missing"),
        pytest.param(CONTENT[:HEADER] + FIRST + SECOND + SECOND + LAST, id="a chunk is there twice"),
        pytest.param(CONTENT[:HEADER] + FIRST + SECOND + THIRD, id="the last chunk is missing"),
        pytest.param(CONTENT[:HEADER], id="all chunks are missing"),
        pytest.param(CONTENT + LAST, id="something follows"),
        pytest.param(CONTENT[:-1], id="a byte is missing"),
        pytest.param(CONTENT[:5], id="hardly begun"),
        pytest.param(b"", id="empty"),
        *(
            pytest.param(CONTENT[:at] + bytes([CONTENT[at] ^ 1]) + CONTENT[at + 1 :], id=f"byte {at} is changed")
            for at in (0, len(MAGIC), HEADER - 1, HEADER, HEADER + SEALED, len(CONTENT) - 1)
        ),
    ],
)
def test_nothing_can_be_changed_moved_dropped_or_added(content: bytes) -> None:
    with pytest.raises(CannotDecrypt):
        opened(content)
