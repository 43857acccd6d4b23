"""What a dealer's pages of statements read beyond the statements themselves: her questions, and how many wait."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.web import Visitor
from coop.portal.queries import own_dealers_query
from coop.statements.models import Statement, StatementQuestion


def own_question_counts(session: Session, user: Visitor) -> dict[int, tuple[int, int]]:
    """Questions asked of each of this user's statements, and how many are answered: statement id -> (asked, answered)."""
    rows = session.execute(
        select(StatementQuestion.statement_id, func.count(StatementQuestion.id), func.count(StatementQuestion.answered_at))
        .join(Statement, Statement.id == StatementQuestion.statement_id)
        .where(Statement.dealer_id.in_(own_dealers_query(user)))
        .group_by(StatementQuestion.statement_id)
    )
    return {statement_id: (int(asked), int(answered)) for statement_id, asked, answered in rows}
