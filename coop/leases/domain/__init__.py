"""Leases, computed purely: the same dated terms give the same rent, fee and deposit on any day, with their working.

`proration` says what part of a month some days are, `rates` what a zone costs, `escalation` how a price rises, `rent` puts
them together for a space and those who share it. `discounts`, `turns`, `percentage_rent` and `commission` are what else a lease
may say.
`covered` says on which day sales had paid the month's rent.
`settlement` says which charges a payment settles and how old the rest is, `late` what that costs, `deposit` what goes back.
`lifecycle` is the states of a lease and the moves between them, `notice` their dates, `waiting` who is next.
"""

from coop.leases.domain.commission import commission
from coop.leases.domain.figures import Rent, TermsError, plain, plain_percent
from coop.leases.domain.rates import DatedRate, NoRateError
from coop.leases.domain.rent import month_rent

__all__ = ["DatedRate", "NoRateError", "Rent", "TermsError", "commission", "month_rent", "plain", "plain_percent"]
