"""Short texts kept sealed in the database: a bank account's or tax form's number, readable only with a key that is not in it.

The columns' names end in `_sealed`. Each seal is Fernet (AES-128-CBC with HMAC-SHA256), under the first key of COOP_FIELD_KEYS.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from sqlalchemy import Column, Table, func, select, update
from sqlalchemy.orm import Session

from coop.config import FIELD_KEYS_FILE, Settings, field_keys
from coop.core.db import Base
from coop.core.errors import Refusal

ENDING = "_sealed"
LONGEST = 120
"""Characters: more would not fit its column once sealed."""
WRONG_KEY = (
    "A sealed number does not open: it was sealed under a key that is not here. Put that key into COOP_FIELD_KEYS behind the "
    f"first, with a comma between, or bring the co-op's own file {FIELD_KEYS_FILE} back into its folder. Without it the number "
    "has to be asked for and entered again."
)


@dataclass(frozen=True)
class FieldKeys:
    """The keys of what is kept sealed. The first seals, all of them open."""

    keys: tuple[str, ...] = field(repr=False)

    @classmethod
    def of(cls, settings: Settings) -> FieldKeys:
        """From the environment, or the key that was made in the data folder."""
        return cls(field_keys(settings))

    def seal(self, text: str) -> str:
        if len(text) > LONGEST:
            raise Refusal(f"The number has {len(text)} characters: {LONGEST} is the most.")
        return self._cipher.encrypt(text.encode("utf-8")).decode("ascii")

    def open(self, sealed: str) -> str:
        """What was sealed. Raises Refusal when none of the keys is the one it was sealed under, or it was changed since."""
        try:
            return self._cipher.decrypt(sealed).decode("utf-8")
        except InvalidToken:
            raise Refusal(WRONG_KEY) from None

    def again(self, sealed: str) -> str:
        """The same under the first key. Raises Refusal as `open` does."""
        try:
            return self._cipher.rotate(sealed).decode("ascii")
        except InvalidToken:
            raise Refusal(WRONG_KEY) from None

    @property
    def _cipher(self) -> MultiFernet:
        return MultiFernet([Fernet(key) for key in self.keys])


def sealed_columns() -> list[tuple[Table, Column[str]]]:
    """Every column that holds sealed text."""
    return [(table, column) for table in Base.metadata.sorted_tables for column in table.columns if column.name.endswith(ENDING)]


def reseal(session: Session, keys: FieldKeys) -> int:
    """Seal everything again under the first key, so that the others may go; how many. Refuses when one does not open."""
    done = 0
    for table, column in sealed_columns():
        rows = session.execute(select(table.c.id, column).where(column != "").order_by(table.c.id).with_for_update()).all()
        for row_id, sealed in rows:
            session.execute(update(table).where(table.c.id == row_id).values({column: keys.again(sealed)}))
        done += len(rows)
    return done


def sealed_count(session: Session) -> int:
    """How many texts are kept sealed."""
    return sum(session.scalar(select(func.count()).where(column != "")) or 0 for _table, column in sealed_columns())


def unopened(session: Session, keys: FieldKeys) -> int:
    """How many sealed texts none of the keys opens."""
    count = 0
    for _table, column in sealed_columns():
        for sealed in session.scalars(select(column).where(column != "")):
            try:
                keys.open(sealed)
            except Refusal:
                count += 1
    return count
