"""The forbidden writes of layaways: terms that were agreed, items, money that came and went, an end taken back."""

from __future__ import annotations

from tests.integration.books.attacks import NEVER, attack, copied, upsert

LAYAWAY_CHANGES = {
    "mall_id": "{east}",
    "number": "77",
    "key": "'x'",
    "accepted_on": "'2026-09-01'",
    "due_on": "'2027-01-01'",
    "taxed_at": "'agreement'",
    "net_cents": "9",
    "tax_cents": "9",
    "deposit_cents": "9",
    "fee_percent": "9",
    "fee_cents": "9",
    "agreed_at": "'2026-10-01 00:00:00'",
    "agreed_by": "1",
    "state": "'open'",
    "closed_on": "'2026-10-06'",
    "ticket_id": "NULL",
}
"""All but the buyer's name and how she is reached."""
ANOTHER = {"id": "9001", "number": "9001", "key": "'x'"}
BOTH = [
    *[
        attack(NEVER, f"a layaway's {column}", f"UPDATE layaway SET {column} = {value} WHERE id = {{layaway}}")
        for column, value in LAYAWAY_CHANGES.items()
    ],
    attack(NEVER, "an upsert of a layaway", upsert("layaway", "{layaway}", "fee_cents = 0", on="key")),
    attack(
        "completed_by_ticket",
        "a layaway completed by nothing",
        f"INSERT {copied('layaway', '{layaway}', **ANOTHER, ticket_id='NULL')}",
    ),
    attack(
        NEVER,
        "a layaway opened again",
        "UPDATE layaway SET state = 'open', closed_on = NULL, ticket_id = NULL WHERE id = {layaway}",
    ),
]
SQLITE = [
    attack(NEVER, "a layaway replaced", f"REPLACE {copied('layaway', fee_cents='0')}"),
    attack(NEVER, "a layaway replaced by its number", f"REPLACE {copied('layaway', id='id + 900', key='0', ticket_id='NULL')}"),
    attack(NEVER, "an item set aside replaced", f"REPLACE {copied('layaway_line', id='id + 900', price_cents='0')}"),
    attack(NEVER, "a layaway's payment replaced", f"REPLACE {copied('layaway_move', id='id + 900', amount_cents='1')}"),
]
