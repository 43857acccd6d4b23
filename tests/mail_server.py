"""A real SMTP server on a free port that can be told to misbehave as real ones do.

It listens in a thread of the test's process; mail may come from there or from any other process.
"""

from __future__ import annotations

import asyncio
import email
import email.policy
import threading
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Literal

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

Stage = Literal["helo", "rcpt", "data", "answer"]
"""When it misbehaves: at the greeting, at a recipient, at the message's end, or after keeping the message (the sender then
cannot know that it arrived)."""

OK = "250 OK"


@dataclass(frozen=True)
class Received:
    """One message the server kept."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes

    @property
    def message(self) -> EmailMessage:
        return email.message_from_bytes(self.content, policy=email.policy.default)

    @property
    def message_id(self) -> str:
        return str(self.message["Message-ID"])


@dataclass
class _Behaviour:
    kind: Literal["accept", "refuse", "hang"] = "accept"
    stage: Stage = "rcpt"
    reply: str = ""
    times_left: int | None = None
    """None: for ever."""


class _AnyPort(Controller):
    """A controller that lets the system choose the port."""

    def _trigger_server(self) -> None:
        assert isinstance(self.server, asyncio.Server)
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]


@dataclass
class MailServer:
    """Start with `with MailServer() as server:`; `server.host` and `server.port` are where it listens."""

    host: str = "127.0.0.1"
    port: int = 0
    messages: list[Received] = field(default_factory=list)
    """What was kept, in order."""
    refusals: int = 0
    """How often it refused or hung."""
    _behaviour: _Behaviour = field(default_factory=_Behaviour)
    _changed: threading.Condition = field(default_factory=threading.Condition)
    _controller: _AnyPort | None = None

    # --- what a test says ---------------------------------------------------------------------------------------------

    def accept(self) -> None:
        """Keep every message (as it does from the start)."""
        self._behaviour = _Behaviour()

    def refuse_temporarily(self, times: int | None = None, stage: Stage = "rcpt") -> None:
        """Answer 451 the next `times` times (None: for ever), then accept."""
        self._behaviour = _Behaviour("refuse", stage, "451 4.7.1 Try again later", times)

    def refuse_for_ever(self, stage: Stage = "rcpt") -> None:
        """Answer 550 to every message."""
        self._behaviour = _Behaviour("refuse", stage, "550 5.1.1 No such mailbox")

    def hang(self, times: int | None = None, stage: Stage = "data") -> None:
        """Stop answering at a stage, the next `times` times (None: for ever), until the sender gives up."""
        self._behaviour = _Behaviour("hang", stage, "", times)

    def wait_for(self, count: int, timeout_s: float = 30) -> list[Received]:
        """Wait until `count` messages were kept. Raises AssertionError when they do not come."""
        with self._changed:
            arrived = self._changed.wait_for(lambda: len(self.messages) >= count, timeout_s)
            assert arrived, f"{len(self.messages)} of {count} messages came in {timeout_s} s"
            return list(self.messages)

    # --- what the protocol does ---------------------------------------------------------------------------------------

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        fault = await self._fault("helo")
        return [fault] if fault else responses

    async def handle_RCPT(self, server: SMTP, session: Session, envelope: Envelope, address: str, rcpt_options: list[str]) -> str:
        fault = await self._fault("rcpt")
        if fault:
            return fault
        envelope.rcpt_tos.append(address)
        return OK

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        fault = await self._fault("data")
        if fault:
            return fault
        with self._changed:
            self.messages.append(Received(envelope.mail_from or "", tuple(envelope.rcpt_tos), envelope.original_content or b""))
            self._changed.notify_all()
        return await self._fault("answer") or OK

    async def _fault(self, stage: Stage) -> str:
        behaviour = self._behaviour
        if behaviour.kind == "accept" or behaviour.stage != stage or behaviour.times_left == 0:
            return ""
        if behaviour.times_left is not None:
            behaviour.times_left -= 1
        self.refusals += 1
        if behaviour.kind == "hang":
            await asyncio.Event().wait()
        return behaviour.reply

    # --- start and stop -----------------------------------------------------------------------------------------------

    def __enter__(self) -> MailServer:
        self._controller = _AnyPort(self, hostname=self.host, port=0, ready_timeout=30)
        self._controller.start()
        self.port = self._controller.port
        return self

    def __exit__(self, *_exc: object) -> None:
        assert self._controller is not None
        self._controller.stop()
