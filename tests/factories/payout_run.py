"""A run of payouts as rows, for pages that show one."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.core.documents import keep_document
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.models import PayoutLine, PayoutPart, PayoutRun


def add_run(session: Session, now: datetime, mall: Mall, dealer: Dealer, made_by: int, approved_by: int) -> None:
    """Run 1 of October as rows, approved: check 1041 over $100 for a dealer, with its remittance page."""
    name, pdf = "remittances-run-1.pdf", b"%PDF-1.7\n% bytes of a test, not a rendering\n%%EOF\n"
    paper = keep_document(session, now, file_name=name, media_type="application/pdf", content=pdf, made_with="a test")
    run = PayoutRun(
        number=1,
        first_day=date(2026, 10, 1),
        pay_on=date(2026, 11, 10),
        state="approved",
        made_by=made_by,
        made_at=now,
        approved_by=approved_by,
        approved_at=now,
        first_check=1041,
        remittance_document_id=paper.id,
    )
    session.add(run)
    session.flush()
    line = PayoutLine(run_id=run.id, dealer_id=dealer.id, amount_cents=100_00, method="check", reference="1041")
    session.add(line)
    session.flush()
    session.add(PayoutPart(line_id=line.id, mall_id=mall.id, amount_cents=100_00))
    session.flush()
