"""Notes to members by mail: a subject, sentences, a list, and where to look; each letter once under its key."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.mail import queue_mail
from coop.core.templating import render
from coop.dealers.models import Cooperative, Member


@dataclass(frozen=True)
class Note:
    """What a mail says."""

    subject: str
    sentences: tuple[str, ...]
    lines: tuple[str, ...] = ()
    """What it lists."""
    after: str = ""
    path: str = "/portal/"
    """Where its link leads, below the co-op's address on the web."""


@dataclass(frozen=True)
class Letter:
    """A note to somebody, under the key that makes it one."""

    key: str
    email: str
    note: Note


def to_members(session: Session, key: str, member_ids: Iterable[int | None], note: Note) -> Iterable[Letter]:
    """A note to members who have an address and have not left, each under the key and their id."""
    wanted = [one for one in member_ids if one is not None]
    rows = session.execute(
        select(Member.id, Member.email).where(Member.id.in_(wanted), Member.email != "", Member.left_on.is_(None))
    )
    for member_id, email in sorted((row.id, row.email) for row in rows):
        yield Letter(f"{key}/{member_id}", email, note)


def write_letters(
    session: Session, now: datetime, letters: Iterable[Letter], *, kind: str, mail_domain: str, web_address: str
) -> int:
    """Queue notes as mails of a kind; how many letters there were, those queued before among them."""
    coop = session.get(Cooperative, 1)
    if coop is None:
        return 0  # an empty database: there is nobody to write to yet
    count = 0
    for letter in letters:
        link = f"{web_address.rstrip('/')}{letter.note.path}" if web_address else ""
        values = {"note": letter.note, "link": link, "coop_name": coop.name}
        queue_mail(
            session,
            now,
            key=letter.key,
            kind=kind,
            recipient=letter.email,
            subject=" ".join(render("email/note/subject.txt", **values).split())[:200],
            text_body=render("email/note/body.txt", **values).strip() + "\n",
            html_body=render("email/note/body.html", **values),
            mail_domain=mail_domain,
        )
        count += 1
    return count
