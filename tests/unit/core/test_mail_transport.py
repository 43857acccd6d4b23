"""Composing mail, and writing it into a Maildir."""

from __future__ import annotations

import email
import email.policy
import mailbox
import os
import stat
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path
from typing import cast

import pytest

from coop.core.mail import message_id_of, retry_delay
from coop.core.mail_transport import Attachment, Letter, PutOff, Refused, compose, parse_address, write_maildir

FROM = "Old Granary Co-op <office@example.org>"
DATE = datetime(2011, 1, 3, 9, 30, tzinfo=UTC)


def letter(**changes: object) -> Letter:
    values: dict[str, object] = {
        "recipient": "dealer@example.org",
        "subject": "Your statement for December 2010",
        "text_body": "To be paid: $1,204.50 on January 10.\n",
        "html_body": "<p>To be paid: <b>$1,204.50</b> on January 10.</p>",
        "message_id": message_id_of("statement/MAIN/D01/2010-12", "example.org", "salt"),
        "date": DATE,
        "attachment": Attachment("statement.pdf", "application/pdf", b"%PDF-1.7 not really"),
    }
    return Letter(**(values | changes))  # type: ignore[arg-type]


def read(content: bytes) -> EmailMessage:
    return cast(EmailMessage, email.message_from_bytes(content, policy=email.policy.default))


def part(message: EmailMessage, media_type: str) -> EmailMessage:
    return next(cast(EmailMessage, p) for p in message.walk() if p.get_content_type() == media_type)


def text_of(message: EmailMessage, subtype: str) -> str:
    """A text part's content; its line ends are CRLF on the way."""
    return str(part(message, f"text/{subtype}").get_content()).replace("\r\n", "\n")


def test_a_letter_has_its_headers_a_text_the_same_as_html_and_the_pdf() -> None:
    sent = letter()
    message = read(compose(sent, FROM).as_bytes())
    assert message["From"] == FROM
    assert message["To"] == "dealer@example.org"
    assert message["Subject"] == "Your statement for December 2010"
    assert message["Message-ID"] == f"<{sent.message_id}>"
    assert message["Date"].datetime == DATE
    assert message["Auto-Submitted"] == "auto-generated"
    assert message.get_content_type() == "multipart/mixed"
    assert part(message, "multipart/alternative").get_payload(0).get_content_type() == "text/plain"  # type: ignore[union-attr]
    assert text_of(message, "plain") == sent.text_body
    assert text_of(message, "html") == sent.html_body + "\n"
    pdf = part(message, "application/pdf")
    assert pdf.get_content() == b"%PDF-1.7 not really"
    assert (pdf.get_content_disposition(), pdf.get_filename()) == ("attachment", "statement.pdf")


def test_without_html_or_document_it_is_plain_text() -> None:
    message = compose(letter(html_body="", attachment=None), FROM)
    assert message.get_content_type() == "text/plain"


def test_names_of_any_script_survive_and_every_byte_is_ascii_in_lines_that_every_server_takes() -> None:
    # RFC 5322, 2.1.1: no line above 998 characters, and 78 where it can be.
    text = "Grüße an Ålesund, 京都 und Łódź: " + "wardrobe " * 300 + "\nx" + "y" * 2000 + "\n"
    sent = letter(
        recipient="Zoë Świątek-Ōno <zoe@example.org>",
        subject="Abrechnung für Zoë: " + "ō" * 150,
        text_body=text,
        html_body=f"<p>{text}</p>",
        attachment=Attachment("Abrechnung Zoë 12-2010.pdf", "application/pdf", os.urandom(3000)),
    )
    content = compose(sent, "Gröndal & Söhne <office@example.org>").as_bytes()
    assert content.isascii()
    assert max(len(line) for line in content.split(b"\r\n")) <= 78
    assert b"\n" not in content.replace(b"\r\n", b"")
    message = read(content)
    assert message["To"].addresses[0].display_name == "Zoë Świątek-Ōno"
    assert message["To"].addresses[0].addr_spec == "zoe@example.org"
    assert message["From"].addresses[0].display_name == "Gröndal & Söhne"
    assert message["Subject"] == sent.subject
    assert text_of(message, "plain") == text
    assert part(message, "application/pdf").get_filename() == "Abrechnung Zoë 12-2010.pdf"


def test_the_same_letter_is_the_same_bytes() -> None:
    assert compose(letter(), FROM).as_bytes() == compose(letter(), FROM).as_bytes()
    assert compose(letter(message_id="other@example.org"), FROM).as_bytes() != compose(letter(), FROM).as_bytes()


@pytest.mark.parametrize(
    "change",
    [
        {"subject": "Hello\r\nBcc: thief@example.org"},
        {"subject": "Hello\nBcc: thief@example.org"},
        {"recipient": "dealer@example.org\r\nBcc: thief@example.org"},
        {"recipient": "dealer@example.org, thief@example.org"},
        {"message_id": "a@example.org>\r\nBcc: <thief@example.org"},
        {"text_body": "half a character: \ud800"},
    ],
)
def test_what_would_smuggle_a_header_or_cannot_be_written_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(Refused):
        compose(letter(**change), FROM)


@pytest.mark.parametrize(
    ("written", "address"),
    [
        ("dealer@example.org", "dealer@example.org"),
        ("D. Ealer <d.ealer+mall@mail.example.org>", "d.ealer+mall@mail.example.org"),
        # RFC 3492's algorithm, by Python's idna codec.
        ("dealer@bücher.example", "dealer@xn--bcher-kva.example"),
        ('"two words"@example.org', '"two words"@example.org'),
    ],
)
def test_an_address_is_read(written: str, address: str) -> None:
    assert parse_address(written).addr_spec == address


@pytest.mark.parametrize(
    "written",
    [
        "",
        "<>",
        "dealer",
        "dealer@",
        "@example.org",
        "dealer@exa mple.org",
        "dealer@example.org;",
        "dealer@" + "x" * 64 + ".example",
        "x" * 250 + "@example.org",
        "a@b@example.org",
        "a@example..org",
        "a b@example.org",
        "a,b@example.org",
        "all: a@example.org;",
    ],
)
def test_what_is_not_an_address_is_refused_in_a_sentence(written: str) -> None:
    with pytest.raises(Refused, match=r"mail address"):
        parse_address(written)


def test_the_message_id_comes_from_the_salt_and_the_key_alone() -> None:
    # SHA-256 of "abc": FIPS 180-4, the standard's first example; its first 160 bits.
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a3"
    assert message_id_of("bc", "example.org", "a") == f"{digest}@example.org"


def test_delays_grow_to_half_a_day_and_end_after_three() -> None:
    delays = [retry_delay(attempts) for attempts in range(1, 12)]
    assert delays[:5] == [timedelta(minutes=m) for m in (1, 5, 15, 60, 240)]
    assert set(delays[5:]) == {timedelta(hours=12)}
    assert timedelta(days=3) < sum(delays, timedelta()) < timedelta(days=4)


def test_a_maildir_holds_a_mail_once_and_other_readers_can_read_it(tmp_path: Path) -> None:
    folder = tmp_path / "mail"
    message = compose(letter(), FROM)
    name = write_maildir(message, folder)
    assert write_maildir(message, folder) == name
    assert os.listdir(folder / "new") == [name]
    assert os.listdir(folder / "tmp") == []
    assert stat.S_IMODE((folder / "new" / name).stat().st_mode) == 0o600
    box = mailbox.Maildir(folder, create=False)
    [kept] = box
    assert kept["Message-ID"] == f"<{letter().message_id}>"
    assert b"\r" not in (folder / "new" / name).read_bytes()
    write_maildir(compose(letter(message_id="two@example.org"), FROM), folder)
    assert len(box) == 2


def test_a_mail_that_a_reader_has_moved_is_not_written_again(tmp_path: Path) -> None:
    message = compose(letter(), FROM)
    name = write_maildir(message, tmp_path)
    box = mailbox.Maildir(tmp_path, create=False)
    [(key, kept)] = box.items()
    kept.set_subdir("cur")
    kept.set_flags("S")
    box[key] = kept
    assert os.listdir(tmp_path / "cur") == [f"{name}:2,S"]
    write_maildir(message, tmp_path)
    assert os.listdir(tmp_path / "new") == []


def test_a_post_box_that_cannot_be_written_puts_the_mail_off(tmp_path: Path) -> None:
    (tmp_path / "mail").write_text("a file where the folder should be")
    with pytest.raises(PutOff, match="post-box"):
        write_maildir(compose(letter(), FROM), tmp_path / "mail")
