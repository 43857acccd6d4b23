"""How a mail leaves: composed as a message, then handed to an SMTP server or written into a Maildir.

Nothing here knows the database. The same letter always composes to the same bytes, so a mail sent again
after a crash is the same mail, with the same Message-ID.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import smtplib
import socket
import ssl
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from email import policy
from email.errors import MessageError, NonASCIILocalPartDefect, ObsoleteHeaderDefect
from email.headerregistry import Address
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from coop.config import Settings

_REPLY_CHARS = 1000


class PutOff(Exception):
    """The mail could not be handed over now; the message is what the server or the system said. Try again
    later.
    """

    def __init__(self, said: str, *, unreached: bool = False) -> None:
        super().__init__(said)
        self.unreached = unreached
        """Whether the server did not come as far as this mail, or fell silent: another mail would fare no better."""


class Refused(Exception):
    """The mail will never be taken as it is; the message is what the server said, or what is wrong with the
    mail.
    """


@dataclass(frozen=True)
class Attachment:
    """A file that goes with a mail."""

    file_name: str
    media_type: str
    content: bytes


@dataclass(frozen=True)
class Letter:
    """What is to be sent. `message_id` is without angle brackets, `date` an aware moment, `html_body` may
    be empty.
    """

    recipient: str
    subject: str
    text_body: str
    html_body: str
    message_id: str
    date: datetime
    attachment: Attachment | None = None


# --- composing ------------------------------------------------------------------------------------


def breaks_a_header(value: str) -> bool:
    """Whether a text holds a line end or another control character, and so could smuggle a header into a
    mail.
    """
    return any(unicodedata.category(char) in ("Cc", "Zl", "Zp") for char in value)


def parse_address(value: str) -> Address:
    """One address, `office@example.org` or `Name <office@example.org>`; an international domain in its ASCII form.

    Raises Refused with a sentence.
    """
    wrong = f"{value!r} is not a mail address: write it like name@example.org."
    if breaks_a_header(value):
        raise Refused(wrong)
    try:
        header: Any = policy.default.header_factory("To", value)
        # A dot in a name, and a name of another script before the @, are forms that mail servers take.
        faults = [d for d in header.defects if not isinstance(d, ObsoleteHeaderDefect | NonASCIILocalPartDefect)]
        [group] = header.groups
        [address] = group.addresses
        if faults or group.display_name or not address.username or not address.domain:
            raise Refused(wrong)
        domain = address.domain.encode("idna").decode("ascii")
        parsed = Address(display_name=address.display_name, username=address.username, domain=domain)
    except (MessageError, ValueError, IndexError) as error:
        raise Refused(wrong) from error
    if len(parsed.addr_spec) > 254:  # RFC 5321, 4.5.3.1.3, less its two angle brackets
        raise Refused(f"{value[:40]!r}... is longer than a mail address can be (254 characters).")
    return parsed


def compose(letter: Letter, mail_from: str) -> EmailMessage:
    """The letter as a message: a text part, the same as HTML if there is any, and the attachment.

    Seven-bit throughout (quoted-printable and base64), lines under 78 characters, so that any server
    carries it unchanged. Raises Refused if an address, a header or a text cannot be written as mail.
    """
    message = EmailMessage(policy=policy.SMTP)
    try:
        message["From"] = parse_address(mail_from)
        message["To"] = parse_address(letter.recipient)
        message["Subject"] = letter.subject
        message["Date"] = letter.date
        message["Message-ID"] = f"<{letter.message_id}>"
        # RFC 3834: keeps holiday notices from answering.
        message["Auto-Submitted"] = "auto-generated"
        message.set_content(letter.text_body, cte="quoted-printable")
        if letter.html_body:
            message.add_alternative(letter.html_body, subtype="html", cte="quoted-printable")
        if letter.attachment is not None:
            main, _, sub = letter.attachment.media_type.partition("/")
            message.add_attachment(letter.attachment.content, maintype=main, subtype=sub, filename=letter.attachment.file_name)
        _name_boundaries(message, letter.message_id)
        message.as_bytes()
    except (MessageError, ValueError, LookupError) as error:
        raise Refused(f"This cannot be written as mail: {error}") from error
    return message


def _name_boundaries(message: EmailMessage, message_id: str) -> None:
    """Boundaries from the Message-ID: the library's own are random, and the same letter would never be the
    same bytes.
    """
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        digest = hashlib.sha256(f"{message_id} {number}".encode()).hexdigest()
        part.set_boundary(f"=_{digest[:40]}")


# --- sending --------------------------------------------------------------------------------------


def deliver(message: EmailMessage, settings: Settings) -> str:
    """Hand a message over: to the SMTP server, or with none set to the Maildir. What the receiver said.

    Raises PutOff or Refused.
    """
    if settings.smtp_host:
        return send_smtp(message, settings)
    return "written to the post-box as " + write_maildir(message, settings.maildir)


def reply_text(code: int, reply: bytes | str) -> str:
    """A server's reply as one line of text, cut to a sensible length."""
    words = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else reply
    return f"{code} {' '.join(words.split())}"[:_REPLY_CHARS]


def send_smtp(message: EmailMessage, settings: Settings) -> str:
    """Hand a message to the SMTP server; its reply.

    Whatever goes wrong before the mail itself is offered (no connection, a certificate that is not trusted,
    a password that is refused) is PutOff: it says nothing about this mail, and a person can mend it. Once
    it is offered, a 5xx reply is Refused, all else PutOff. A server that has not finished after
    `smtp_timeout_s` seconds in all is cut off.
    """
    with _conversation(settings) as server:
        try:
            return _offer(server, message)
        except smtplib.SMTPDataError as error:
            raise _judge(error.smtp_code, error.smtp_error) from error
        except smtplib.SMTPNotSupportedError as error:
            raise Refused(f"the server cannot take this address: {error}") from error


def _offer(server: smtplib.SMTP, message: EmailMessage) -> str:
    sender, recipient = (_only_address(message[name]) for name in ("From", "To"))
    international = not (sender + recipient).isascii()
    content = message.as_bytes(policy=policy.SMTPUTF8 if international else policy.SMTP)
    options = ["SMTPUTF8", "BODY=8BITMIME"] if international else []
    if server.has_extn("size"):
        options.append(f"SIZE={len(content)}")
    for code, reply in (server.mail(sender, options), server.rcpt(recipient)):
        if code not in (250, 251):
            raise _judge(code, reply)
    code, reply = server.data(content)
    if code != 250:
        raise _judge(code, reply)
    return reply_text(code, reply)


def _judge(code: int, reply: bytes | str) -> PutOff | Refused:
    return (Refused if 500 <= code <= 599 else PutOff)(reply_text(code, reply))


def _only_address(header: Any) -> str:
    return str(header.addresses[0].addr_spec)


def _fault_text(error: Exception, settings: Settings) -> str:
    """What went wrong before the mail was offered, for the person who is to mend it."""
    if isinstance(error, smtplib.SMTPResponseException):
        return reply_text(error.smtp_code, error.smtp_error)
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the server's certificate is not trusted: {error.verify_message}"
    return f"{settings.smtp_host}:{settings.smtp_port}: {error}"


class _Clock:
    """Shuts a conversation's socket down after so many seconds in all: its own timeout begins again with every byte."""

    def __init__(self, seconds: float) -> None:
        self.overdue = False
        self.server: smtplib.SMTP | None = None
        self._timer = threading.Timer(seconds, self._cut)
        self._timer.daemon = True
        self._timer.start()

    def stop(self) -> None:
        self._timer.cancel()
        if self.server is not None:
            self.server.close()

    def _cut(self) -> None:
        self.overdue = True
        sock = getattr(self.server, "sock", None)
        if sock is not None:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)


class _Plain(smtplib.SMTP):
    """Shows itself to the clock before it connects: a server may already be silent at its greeting."""

    def __init__(self, clock: _Clock, *args: Any, **options: Any) -> None:
        clock.server = self
        super().__init__(*args, **options)


class _Tls(smtplib.SMTP_SSL):
    """The same, speaking TLS from the first byte."""

    def __init__(self, clock: _Clock, *args: Any, **options: Any) -> None:
        clock.server = self
        super().__init__(*args, **options)


@contextmanager
def _conversation(settings: Settings) -> Iterator[smtplib.SMTP]:
    """A server that has greeted us, agreed on a key and let us in; ended after `smtp_timeout_s` seconds in all."""
    late = f"the server had not finished after {settings.smtp_timeout_s} seconds"
    clock = _Clock(settings.smtp_timeout_s)
    entered = False
    try:
        server = _connect(settings, clock)
        _enter(server, settings)
        entered = True
        yield server
        with suppress(smtplib.SMTPException, OSError):  # the mail is taken, whatever the good-bye is
            server.quit()
    except (smtplib.SMTPException, OSError, UnicodeError) as error:
        silent = clock.overdue or isinstance(error, TimeoutError)
        raise PutOff(late if silent else _fault_text(error, settings), unreached=silent or not entered) from error
    finally:
        clock.stop()


def _connect(settings: Settings, clock: _Clock) -> smtplib.SMTP:
    # Without a name of ours the library asks DNS for one, which may take longer than the whole conversation.
    where = (settings.smtp_host, settings.smtp_port, settings.mail_domain)
    if settings.smtp_security == "tls":
        return _Tls(clock, *where, timeout=settings.smtp_timeout_s, context=ssl.create_default_context())
    return _Plain(clock, *where, timeout=settings.smtp_timeout_s)


def _enter(server: smtplib.SMTP, settings: Settings) -> None:
    server.ehlo_or_helo_if_needed()
    if settings.smtp_security == "starttls":
        server.starttls(context=ssl.create_default_context())
        server.ehlo()
    if settings.smtp_user:
        server.login(settings.smtp_user, settings.smtp_password)


# --- the post-box ---------------------------------------------------------------------------------


def write_maildir(message: EmailMessage, folder: Path) -> str:
    """Write a message into a Maildir (`tmp`, `new`, `cur`); the file's name.

    The name comes from the mail's date and Message-ID: the same mail written twice is one file, also when a
    reader has moved it to `cur` since. It is complete and on the disk before it has that name. Raises
    PutOff if it cannot be written.
    """
    try:
        return _write_maildir(message, folder)
    except OSError as error:
        raise PutOff(f"the post-box {folder} cannot be written: {error.strerror or error}") from error


def _write_maildir(message: EmailMessage, folder: Path) -> str:
    for part in ("tmp", "new", "cur"):
        (folder / part).mkdir(mode=0o700, parents=True, exist_ok=True)
    digest = hashlib.sha256(str(message["Message-ID"]).encode()).hexdigest()
    name = f"{int(message['Date'].datetime.timestamp())}.{digest[:40]}.coop"
    if any((folder / "cur").glob(f"{name}*")):
        return name
    draft = folder / "tmp" / f"{name}.{secrets.token_hex(8)}"
    try:
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(message.as_bytes(policy=policy.SMTPUTF8.clone(linesep="\n")))
            file.flush()
            os.fsync(file.fileno())
        draft.rename(folder / "new" / name)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    new = os.open(folder / "new", os.O_RDONLY)
    try:
        os.fsync(new)
    finally:
        os.close(new)
    return name
