"""Certificates on file: ended, renewed, and the buyer's name taken out. Tickets keep a certificate's number only."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.tax.models import TaxCertificate


def renew_certificate(
    session: Session, now: datetime, certificate: TaxCertificate, *, expires_on: date | None, by: int | None = None
) -> TaxCertificate:
    """The last day on which it is good, earlier or later than before; None: no end. Past tickets stay as they were.

    Refuses a day before it starts.
    """
    if expires_on is not None and expires_on < certificate.starts_on:
        raise Refusal(f"It starts on {certificate.starts_on}: its last day cannot be {expires_on}, before that.")
    certificate.expires_on = expires_on
    detail = f"good until {expires_on}" if expires_on else "without an end"
    audit.record(session, now, "tax certificate dated", "tax certificate", certificate.id, user_id=by, detail=detail)
    session.flush()
    return certificate


def forget_buyer(session: Session, now: datetime, certificate: TaxCertificate, *, by: int | None = None) -> None:
    """Take the buyer's name out: it is kept here only. The number stays: it says why past tickets were not taxed."""
    certificate.buyer_name = ""
    audit.record(session, now, "tax certificate's name removed", "tax certificate", certificate.id, user_id=by)
    session.flush()
