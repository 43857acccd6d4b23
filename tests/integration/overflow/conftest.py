"""What most tests of overflow begin with: a session, and aisles with bays and dealers in it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import pytest
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from tests.factories.aisles import Aisles


@pytest.fixture
def session(sessions: Sessions) -> Iterator[Session]:
    """One transaction, kept at the test's end."""
    with transaction(sessions) as session:
        yield session


@pytest.fixture
def aisles(session: Session, now: datetime) -> Aisles:
    return Aisles(session, now)
