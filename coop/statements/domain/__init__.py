"""The statement as a frozen value: built once from the month, rendered many times, and proving itself.

`lines` is what stands on it, `value` the whole of a month, `proof` that it adds up, `stored` its JSON and the hash of that,
`pictures` what is drawn of it. Every amount is in cents, and signed as the dealer sees it: positive is owed to the dealer,
negative is charged.
"""

from coop.statements.domain.lines import (
    ChargeLine,
    FloorFigures,
    OwedTaxLine,
    PaymentLine,
    PendingLayaway,
    SaleLine,
    TaxLine,
    TurnLine,
    YearFigure,
)
from coop.statements.domain.proof import StatementError, prove
from coop.statements.domain.stored import from_json, sha256, to_json
from coop.statements.domain.value import StatementValue

__all__ = [
    "ChargeLine",
    "FloorFigures",
    "OwedTaxLine",
    "PaymentLine",
    "PendingLayaway",
    "SaleLine",
    "StatementError",
    "StatementValue",
    "TaxLine",
    "TurnLine",
    "YearFigure",
    "from_json",
    "prove",
    "sha256",
    "to_json",
]
