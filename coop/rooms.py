"""Every room, imported for what it registers: its tables and its kinds of work.

The app, the command and the workers import this once; nothing below does.
"""

from __future__ import annotations

import coop.books.models
import coop.books.service
import coop.closing.models
import coop.closing.service
import coop.core.audit
import coop.core.documents
import coop.core.jobs
import coop.core.mail
import coop.core.retention
import coop.core.schedule
import coop.dealers.links
import coop.dealers.models
import coop.dealers.service
import coop.floor.models
import coop.floor.rendering
import coop.leases.letters
import coop.leases.models
import coop.leases.offering
import coop.leases.posting
import coop.leases.settling
import coop.overflow.drafting
import coop.overflow.models
import coop.overflow.papers
import coop.overflow.surveying
import coop.overflow.telling
import coop.payouts.bank_file
import coop.payouts.models
import coop.resets.arranging
import coop.resets.models
import coop.resets.papers
import coop.resets.reset_models
import coop.resets.working
import coop.sales.layaway
import coop.sales.models
import coop.shifts.attending
import coop.shifts.drafting
import coop.shifts.lapsing
import coop.shifts.models
import coop.shifts.reminding
import coop.shifts.turn_models
import coop.statements.book
import coop.statements.models
import coop.statements.service
import coop.tax.due
import coop.tax.file_work
import coop.tax.models
import coop.tax.rendering  # noqa: F401
from coop.core.db import Base

METADATA = Base.metadata
