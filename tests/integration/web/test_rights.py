"""Every address by every role: what the table does not name cannot be there."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.integration.web.conftest import Web, form_token
from tests.integration.web.overflow_rights import OVERFLOW
from tests.integration.web.reset_rights import RESETS
from tests.integration.web.turn_rights import ALL, BY_HAND, DEALER, DESK, KEEPERS, MANAGER, READERS, SIGNED_IN, TURNS, Address

TABLE: dict[tuple[str, str], tuple[Address, frozenset[str]]] = {
    ("edge.healthz", "GET"): ("/healthz", ALL),
    ("edge.readyz", "GET"): ("/readyz", ALL),
    ("edge.static_file", "GET"): ("/static/coop.css", ALL),
    ("edge.font_file", "GET"): ("/static-fonts/SourceSerifPro-Regular.otf", ALL),
    ("people.sign_in", "GET"): ("/sign-in", ALL),
    ("people.sign_in", "POST"): ("/sign-in", ALL),
    ("people.forgotten", "GET"): ("/sign-in/forgotten", ALL),
    ("people.forgotten", "POST"): ("/sign-in/forgotten", ALL),
    ("people.choose", "GET"): (lambda house, _: f"/sign-in/link/{house.link_token}", ALL),
    ("people.choose", "POST"): (lambda house, _: f"/sign-in/link/{house.link_token}", ALL),
    ("people.start", "GET"): ("/", SIGNED_IN),
    ("people.home", "GET"): ("/home", SIGNED_IN),
    ("people.sign_out", "POST"): ("/sign-out", SIGNED_IN),
    ("people.account", "GET"): ("/account", SIGNED_IN),
    ("people.change_passphrase", "POST"): ("/account/passphrase", SIGNED_IN),
    ("people.end_other_sessions", "POST"): ("/account/sessions/end-others", SIGNED_IN),
    ("people.end_session", "POST"): (
        # Each ends the session they are in; a stranger tries the first one there is.
        lambda house, actor: f"/account/sessions/{1 + list(house.tokens).index(actor) if actor in house.tokens else 1}/end",
        SIGNED_IN,
    ),
    ("office.today", "GET"): ("/office/", READERS),
    ("office.work", "GET"): ("/office/failed", READERS),
    ("office.do_again", "POST"): ("/office/failed/1/again", MANAGER),
    ("office.leave_work", "POST"): ("/office/failed/1/leave", MANAGER),
    ("office.new_mall", "GET"): ("/office/malls/new", MANAGER),
    ("office.add_mall", "POST"): ("/office/malls/new", MANAGER),
    ("office.months", "GET"): ("/office/months", READERS),
    ("office.month", "GET"): ("/office/months/MAIN/2026-10", READERS),
    ("office.month_steps", "GET"): ("/office/months/MAIN/2026-10/steps", READERS),
    ("office.begin_month_end", "POST"): ("/office/months/MAIN/2026-10/begin", MANAGER),
    ("office.try_month_end", "POST"): ("/office/months/MAIN/2026-10/try", MANAGER),
    ("office.let_step_pass", "POST"): ("/office/months/MAIN/2026-10/steps/drawers/pass", MANAGER),
    ("opening.page", "GET"): ("/office/beginning/", READERS),
    ("opening.example", "GET"): ("/office/beginning/example.csv", READERS),
    ("opening.read", "POST"): ("/office/beginning/read", frozenset({"manager", "bookkeeper"})),
    ("opening.sign", "POST"): ("/office/beginning/1/sign", frozenset({"manager", "bookkeeper"})),
    ("opening.drop", "POST"): ("/office/beginning/1/drop", frozenset({"manager", "bookkeeper"})),
    ("office.statement", "GET"): ("/office/statements/MAIN.D01.2026-10", READERS),
    ("office.statement_pdf", "GET"): ("/office/statements/MAIN.D01.2026-10.pdf", READERS),
    ("office.statement_csv", "GET"): ("/office/statements/MAIN.D01.2026-10.csv", READERS),
    ("office.month_lines", "GET"): ("/office/months/MAIN/2026-10/lines.csv", READERS),
    ("office.bind_statements", "POST"): ("/office/months/MAIN/2026-10/print/all", KEEPERS),
    ("office.statement_book", "GET"): ("/office/months/MAIN/2026-10/print/all.pdf", READERS),
    ("portal.statement_csv", "GET"): ("/portal/statements/MAIN.D01.2026-10.csv", DEALER),
    ("office.letters", "GET"): ("/office/letters", READERS),
    ("office.letter", "GET"): (lambda house, _: f"/office/letters/{house.sent_mail}", READERS),
    ("office.resend_letter", "POST"): (lambda house, _: f"/office/letters/{house.sent_mail}/resend", MANAGER),
    ("office.log", "GET"): ("/office/log", READERS),
    ("settings.first", "GET"): ("/office/settings/", READERS),
    ("settings.coop", "GET"): ("/office/settings/co-op", MANAGER),
    ("settings.set_coop", "POST"): ("/office/settings/co-op", MANAGER),
    ("settings.mall", "GET"): ("/office/settings/malls/MAIN", MANAGER),
    ("settings.set_mall", "POST"): ("/office/settings/malls/MAIN", MANAGER),
    ("settings.people_page", "GET"): ("/office/settings/people", MANAGER),
    ("settings.invite", "POST"): ("/office/settings/people", MANAGER),
    ("settings.person_page", "GET"): (lambda house, _: f"/office/settings/people/{house.users['desk']}", MANAGER),
    ("settings.give_role", "POST"): (lambda house, _: f"/office/settings/people/{house.users['desk']}/roles", MANAGER),
    ("settings.take_role", "POST"): (lambda house, _: f"/office/settings/people/{house.users['desk']}/roles/desk/take", MANAGER),
    ("settings.sign_out_everywhere", "POST"): (
        lambda house, _: f"/office/settings/people/{house.users['desk']}/sign-out",
        MANAGER,
    ),
    ("settings.lock", "POST"): (lambda house, _: f"/office/settings/people/{house.users['nobody']}/lock", MANAGER),
    ("settings.unlock", "POST"): (lambda house, _: f"/office/settings/people/{house.users['nobody']}/unlock", MANAGER),
    ("settings.send_link", "POST"): (lambda house, _: f"/office/settings/people/{house.users['nobody']}/link", MANAGER),
    ("floor.first", "GET"): ("/office/floor/", READERS),
    ("floor.plan", "GET"): ("/office/floor/MAIN", READERS),
    ("floor.spaces_csv", "GET"): ("/office/floor/MAIN/spaces.csv", READERS),
    ("floor.space", "GET"): ("/office/floor/MAIN/spaces/12", READERS),
    ("floor.record_measure", "POST"): ("/office/floor/MAIN/spaces/12/measure", MANAGER),
    ("floor.rename_space", "POST"): ("/office/floor/MAIN/spaces/12/code", MANAGER),
    ("floor.retire_space", "POST"): ("/office/floor/MAIN/spaces/12/retire", MANAGER),
    ("floor.return_space", "POST"): ("/office/floor/MAIN/spaces/12/return", MANAGER),
    ("floor.aisles", "GET"): ("/office/floor/MAIN/aisles", READERS),
    ("floor.set_aisle_width", "POST"): ("/office/floor/MAIN/aisles", MANAGER),
    ("floor.take_width_back", "POST"): ("/office/floor/MAIN/aisles/1/back", MANAGER),
    ("floor.edit", "GET"): ("/office/floor/MAIN/edit", MANAGER),
    ("floor.save_rows", "POST"): ("/office/floor/MAIN/edit", MANAGER),
    ("floor.check", "POST"): ("/office/floor/MAIN/check", MANAGER),
    ("floor.save", "POST"): ("/office/floor/MAIN/save", MANAGER),
    ("floor.files", "GET"): ("/office/floor/MAIN/files", READERS),
    ("floor.bring_plan", "POST"): ("/office/floor/MAIN/files", MANAGER),
    ("floor.apply_plan", "POST"): ("/office/floor/MAIN/files/apply", MANAGER),
    ("floor.plan_as_svg", "GET"): ("/office/floor/MAIN/plan.svg", READERS),
    ("floor.plan_as_dxf", "GET"): ("/office/floor/MAIN/plan.dxf", READERS),
    ("floor.plan_as_csv", "GET"): ("/office/floor/MAIN/plan.csv", READERS),
    ("floor.print_plan", "POST"): ("/office/floor/MAIN/paper", READERS),
    ("floor.plan_paper", "GET"): (lambda house, _: f"/office/floor/MAIN/paper/{house.plan_paper}.pdf", READERS),
    ("tax.due", "GET"): ("/office/tax/", READERS),
    ("tax.calendar", "GET"): ("/office/tax/due-dates.ics", READERS),
    ("feeds.read", "GET"): (lambda house, _: f"/feeds/{house.feed_token}.ics", ALL),
    ("tax_feeds.addresses", "GET"): ("/office/tax/calendar", READERS),
    ("tax_feeds.make", "POST"): ("/office/tax/calendar", READERS),
    ("tax_feeds.end", "POST"): (
        # Each ends their own; whoever has none tries the first.
        lambda house, actor: f"/office/tax/calendar/{house.feeds.get(actor, 1)}/end",
        READERS,
    ),
    ("tax.worksheet", "GET"): ("/office/tax/offices/elder-revenue-office/2026-11", READERS),
    ("tax.worksheet_csv", "GET"): ("/office/tax/offices/elder-revenue-office/2026-11.csv", READERS),
    ("tax.file_return", "POST"): ("/office/tax/offices/elder-revenue-office/2026-11/file", MANAGER),
    ("tax.filed", "GET"): ("/office/tax/returns/elder-revenue-office.2026-10", READERS),
    ("tax.filed_csv", "GET"): ("/office/tax/returns/elder-revenue-office.2026-10.csv", READERS),
    ("tax.filed_pdf", "GET"): ("/office/tax/returns/elder-revenue-office.2026-10.pdf", READERS),
    ("tax.amend_return", "POST"): ("/office/tax/returns/elder-revenue-office.2026-10/amend", MANAGER),
    ("tax.jurisdictions", "GET"): ("/office/tax/jurisdictions", READERS),
    ("tax.jurisdiction", "GET"): ("/office/tax/jurisdictions/EL", READERS),
    ("tax.places", "GET"): ("/office/tax/places", READERS),
    ("tax.certificates", "GET"): ("/office/tax/certificates", READERS),
    ("tax.imports", "GET"): ("/office/tax/files", READERS),
    ("tax.proposal", "GET"): ("/office/tax/files/1", READERS),
    ("tax.place", "GET"): ("/office/tax/places/MAIN", MANAGER),
    ("tax.set_place", "POST"): ("/office/tax/places/MAIN", MANAGER),
    ("tax.take_place_back", "POST"): ("/office/tax/places/MAIN/1/withdraw", MANAGER),
    ("tax.add_certificate", "POST"): ("/office/tax/certificates", MANAGER),
    ("tax.certificate", "GET"): ("/office/tax/certificates/1", READERS),
    ("tax.date_certificate", "POST"): ("/office/tax/certificates/1/until", MANAGER),
    ("tax.forget_certificate", "POST"): ("/office/tax/certificates/1/forget", MANAGER),
    ("tax.payments", "GET"): ("/office/tax/offices/elder-revenue-office/payments", READERS),
    ("tax.note_payment", "POST"): ("/office/tax/offices/elder-revenue-office/payments", MANAGER),
    ("tax.print_draft", "POST"): ("/office/tax/offices/elder-revenue-office/2026-11/draft", MANAGER),
    ("tax.draft_pdf", "GET"): ("/office/tax/offices/elder-revenue-office/2026-11/drafts/5.pdf", READERS),
    ("tax.bring_file", "POST"): ("/office/tax/files", MANAGER),
    ("tax.file_progress", "GET"): ("/office/tax/files/1/work", READERS),
    ("tax.apply_proposal", "POST"): ("/office/tax/files/1/apply", MANAGER),
    ("tax.stop_file", "POST"): ("/office/tax/files/1/stop", MANAGER),
    ("tax.undo_proposal", "POST"): ("/office/tax/files/1/undo", MANAGER),
    ("tax.discard_file", "POST"): ("/office/tax/files/1/discard", MANAGER),
    ("tax_terms.new_jurisdiction", "GET"): ("/office/tax/jurisdictions/new", MANAGER),
    ("tax_terms.add_jurisdiction", "POST"): ("/office/tax/jurisdictions/new", MANAGER),
    ("tax_terms.new_rate", "GET"): ("/office/tax/jurisdictions/EL/rates/new", MANAGER),
    ("tax_terms.add_rate", "POST"): ("/office/tax/jurisdictions/EL/rates/new", MANAGER),
    ("tax_terms.rate", "GET"): ("/office/tax/rates/1", MANAGER),
    ("tax_terms.change_rate", "POST"): ("/office/tax/rates/1/change", MANAGER),
    ("tax_terms.end_rate", "POST"): ("/office/tax/rates/1/end", MANAGER),
    ("tax_terms.withdraw_rate", "POST"): ("/office/tax/rates/1/withdraw", MANAGER),
    ("tax_terms.new_rule", "GET"): ("/office/tax/jurisdictions/EL/rules/holiday", MANAGER),
    ("tax_terms.add_rule", "POST"): ("/office/tax/jurisdictions/EL/rules/holiday", MANAGER),
    ("tax_terms.rule", "GET"): ("/office/tax/rules/1", MANAGER),
    ("tax_terms.end_rule", "POST"): ("/office/tax/rules/1/end", MANAGER),
    ("tax_terms.withdraw_rule", "POST"): ("/office/tax/rules/1/withdraw", MANAGER),
    ("tax_terms.setting", "GET"): ("/office/tax/jurisdictions/EL/settings", MANAGER),
    ("tax_terms.set_setting", "POST"): ("/office/tax/jurisdictions/EL/settings", MANAGER),
    ("dealers.listed", "GET"): ("/office/dealers/", READERS),
    ("dealers.new", "GET"): ("/office/dealers/new", MANAGER),
    ("dealers.enter", "POST"): ("/office/dealers/new", MANAGER),
    ("dealers.dealer", "GET"): ("/office/dealers/D01", READERS),
    ("dealers.change", "POST"): ("/office/dealers/D01", MANAGER),
    ("dealers.leave", "POST"): ("/office/dealers/D01/left", MANAGER),
    ("dealers.back", "POST"): ("/office/dealers/D01/back", MANAGER),
    ("dealers.statements", "GET"): ("/office/dealers/D01/statements", READERS),
    ("dealers.file", "GET"): ("/office/dealers/file", MANAGER),
    ("dealers.bring", "POST"): ("/office/dealers/file", MANAGER),
    ("dealers.enter_file", "POST"): ("/office/dealers/file/enter", MANAGER),
    ("dealers.payment", "GET"): ("/office/dealers/D01/payment", MANAGER),
    ("dealers.receive", "POST"): ("/office/dealers/D01/payment", MANAGER),
    ("sales.first", "GET"): ("/office/sales/", READERS),
    ("sales.overview", "GET"): ("/office/sales/MAIN", READERS),
    ("sales.dealers_of_month", "GET"): ("/office/sales/MAIN/2026-11/dealers", READERS),
    ("sales.tickets", "GET"): ("/office/sales/MAIN/tickets", READERS),
    ("sales.ticket", "GET"): ("/office/sales/MAIN/tickets/1", READERS),
    ("sales.lines", "GET"): ("/office/sales/MAIN/lines", READERS),
    ("sales.unclaimed", "GET"): ("/office/sales/MAIN/unclaimed", READERS),
    ("sales.line", "GET"): (lambda house, _: f"/office/sales/MAIN/unclaimed/{house.unclaimed}", READERS),
    ("sales.ask", "POST"): (lambda house, _: f"/office/sales/MAIN/unclaimed/{house.unclaimed}/claims", MANAGER),
    ("sales.grant", "POST"): ("/office/sales/MAIN/claims/1/grant", MANAGER),
    ("sales.refuse", "POST"): ("/office/sales/MAIN/claims/1/refuse", MANAGER),
    ("sales.certificates", "GET"): ("/office/sales/certificates", READERS),
    ("sales.sell", "GET"): ("/office/sales/certificates/new", MANAGER),
    ("sales.sell_one", "POST"): ("/office/sales/certificates/new", MANAGER),
    ("sales.certificate", "GET"): ("/office/sales/certificates/1", READERS),
    ("sales.certificate_paper", "GET"): ("/office/sales/certificates/1/paper", READERS),
    ("sales.take_back_certificate", "POST"): ("/office/sales/certificates/1/take-back", MANAGER),
    ("portal.unclaimed", "GET"): ("/portal/unclaimed", DEALER),
    ("portal.unclaimed_item", "GET"): (lambda house, _: f"/portal/unclaimed/{house.unclaimed}", DEALER),
    ("portal.claim", "POST"): (lambda house, _: f"/portal/unclaimed/{house.unclaimed}", DEALER),
    ("dealers.bounced", "GET"): ("/office/dealers/D01/bounced", KEEPERS),
    ("dealers.take_check_back", "POST"): ("/office/dealers/D01/bounced", KEEPERS),
    ("dealers.chargeback", "GET"): ("/office/dealers/D01/chargeback", KEEPERS),
    ("dealers.post_chargeback", "POST"): ("/office/dealers/D01/chargeback", KEEPERS),
    ("dealers.extra", "GET"): ("/office/dealers/D01/charge", KEEPERS),
    ("dealers.post_extra", "POST"): ("/office/dealers/D01/charge", KEEPERS),
    ("drawers.first", "GET"): ("/office/sales/drawers/", READERS | DESK),
    ("drawers.listed", "GET"): ("/office/sales/drawers/MAIN", READERS | DESK),
    ("drawers.counts_csv", "GET"): ("/office/sales/drawers/MAIN/counts.csv", READERS),
    ("drawers.count", "GET"): ("/office/sales/drawers/MAIN/count", KEEPERS | DESK),
    ("drawers.record_count", "POST"): ("/office/sales/drawers/MAIN/count", KEEPERS | DESK),
    ("drawers.put_in", "GET"): ("/office/sales/drawers/MAIN/put-in", KEEPERS),
    ("drawers.record_put_in", "POST"): ("/office/sales/drawers/MAIN/put-in", KEEPERS),
    ("drawers.paid_out", "GET"): ("/office/sales/drawers/MAIN/paid-out", KEEPERS),
    ("drawers.record_paid_out", "POST"): ("/office/sales/drawers/MAIN/paid-out", KEEPERS),
    ("drawers.to_bank", "GET"): ("/office/sales/drawers/MAIN/to-bank", KEEPERS),
    ("drawers.record_to_bank", "POST"): ("/office/sales/drawers/MAIN/to-bank", KEEPERS),
    ("drawers.add_device", "POST"): ("/office/sales/drawers/MAIN/devices", KEEPERS),
    ("drawers.retire_device", "POST"): ("/office/sales/drawers/MAIN/devices/1/retire", KEEPERS),
    ("payouts.first", "GET"): ("/office/payouts/", READERS),
    ("payouts.prepare", "POST"): ("/office/payouts/prepare", KEEPERS),
    ("payouts.run", "GET"): ("/office/payouts/runs/1", READERS),
    ("payouts.approve", "POST"): ("/office/payouts/runs/1/approve", KEEPERS),
    ("payouts.cancel", "POST"): ("/office/payouts/runs/1/cancel", KEEPERS),
    ("payouts.paid", "POST"): ("/office/payouts/runs/1/paid", KEEPERS),
    ("payouts.files", "POST"): ("/office/payouts/runs/1/files", KEEPERS),
    ("payouts.take_bank_file", "POST"): ("/office/payouts/runs/1/bank-file", KEEPERS),
    ("payouts.remittances", "GET"): ("/office/payouts/runs/1/remittances.pdf", READERS),
    ("payouts.checks", "GET"): ("/office/payouts/runs/1/checks.csv", READERS),
    ("payouts.payment", "GET"): ("/office/payouts/runs/1/D01", READERS),
    ("payouts.returned", "POST"): ("/office/payouts/runs/1/D01/returned", KEEPERS),
    ("payouts.found_stale", "POST"): ("/office/payouts/runs/1/D01/stale", KEEPERS),
    ("payouts.owe_again", "POST"): ("/office/payouts/runs/1/D01/again", KEEPERS),
    ("payouts.stale", "GET"): ("/office/payouts/checks", READERS),
    ("payouts.holds", "GET"): ("/office/payouts/holds", READERS),
    ("payouts.hold", "GET"): ("/office/payouts/holds/2026-10/D01", READERS),
    ("payouts.decide", "POST"): ("/office/payouts/holds/2026-10/D01/decide", KEEPERS),
    ("payouts.place", "POST"): ("/office/payouts/holds/2026-10/D01/place", KEEPERS),
    ("payouts.lift", "POST"): ("/office/payouts/holds/2026-10/D01/lift", KEEPERS),
    ("payouts.bank", "GET"): ("/office/payouts/bank", READERS),
    ("payouts.set_bank", "POST"): ("/office/payouts/bank", KEEPERS),
    ("bank.first", "GET"): ("/office/bank/", READERS),
    ("bank.lines_as_csv", "GET"): ("/office/bank/lines.csv?month=all", READERS),
    ("bank.match_all", "POST"): ("/office/bank/match", KEEPERS),
    ("bank.settle_cards", "POST"): ("/office/bank/cards", KEEPERS),
    ("bank.line", "GET"): ("/office/bank/lines/1", READERS),
    ("bank.accept_proposal", "POST"): ("/office/bank/lines/1/accept", KEEPERS),
    ("bank.match", "POST"): ("/office/bank/lines/1/match", KEEPERS),
    ("bank.enter", "POST"): ("/office/bank/lines/1/as/fee", KEEPERS),
    ("bank.cancel", "POST"): ("/office/bank/lines/1/cancel", KEEPERS),
    ("bank.undo", "POST"): ("/office/bank/matches/1/undo", KEEPERS),
    ("bank.files", "GET"): ("/office/bank/files", READERS),
    ("bank.bring", "POST"): ("/office/bank/files", KEEPERS),
    ("bank.months", "GET"): ("/office/bank/months", READERS),
    ("bank.month", "GET"): ("/office/bank/months/2026-10", READERS),
    ("bank.reconcile", "POST"): ("/office/bank/months/2026-10", KEEPERS),
    ("layaways.first", "GET"): ("/office/layaways/", READERS),
    ("layaways.listed", "GET"): ("/office/layaways/MAIN", READERS),
    ("layaways.new", "GET"): ("/office/layaways/MAIN/new", MANAGER),
    ("layaways.agree", "POST"): ("/office/layaways/MAIN/new", MANAGER),
    ("layaways.layaway", "GET"): ("/office/layaways/MAIN/1", READERS),
    ("layaways.terms", "GET"): ("/office/layaways/MAIN/1/terms", READERS),
    ("layaways.pay", "POST"): ("/office/layaways/MAIN/1/payments", MANAGER),
    ("layaways.complete", "POST"): ("/office/layaways/MAIN/1/complete", MANAGER),
    ("layaways.cancel", "POST"): ("/office/layaways/MAIN/1/cancel", MANAGER),
    ("layaways.forget", "POST"): ("/office/layaways/MAIN/1/forget", MANAGER),
    ("leases.first", "GET"): ("/office/leases/", READERS),
    ("leases.work", "GET"): ("/office/leases/MAIN", READERS),
    ("leases.table", "GET"): ("/office/leases/MAIN/all", READERS),
    ("leases.table_csv", "GET"): ("/office/leases/MAIN/leases.csv", READERS),
    ("leases.lease", "GET"): ("/office/leases/MAIN/1", READERS),
    ("leases.new_lease", "GET"): ("/office/leases/MAIN/new", MANAGER),
    ("leases.make_lease", "POST"): ("/office/leases/MAIN/new", MANAGER),
    ("leases.act", "GET"): ("/office/leases/MAIN/1/sign", MANAGER),
    ("leases.do_act", "POST"): ("/office/leases/MAIN/1/sign", MANAGER),
    ("leases.span_act", "GET"): ("/office/leases/MAIN/1/spaces/1/resize", MANAGER),
    ("leases.do_span_act", "POST"): ("/office/leases/MAIN/1/spaces/1/resize", MANAGER),
    ("leases.withdraw_span", "POST"): ("/office/leases/MAIN/1/spaces/1/withdraw", MANAGER),
    ("leases.take_back_notice", "POST"): ("/office/leases/MAIN/1/notice/take-back", MANAGER),
    ("leases.take_back_lease", "POST"): ("/office/leases/MAIN/1/take-back", MANAGER),
    ("leases.tick_items", "POST"): ("/office/leases/MAIN/2/list", MANAGER),
    ("leases.untick_item", "POST"): ("/office/leases/MAIN/2/list/1/open", MANAGER),
    ("leases.end_lease", "POST"): ("/office/leases/MAIN/1/end", MANAGER),
    ("leases.new_term", "GET"): ("/office/leases/MAIN/1/terms/discount", MANAGER),
    ("leases.add_term", "POST"): ("/office/leases/MAIN/1/terms/discount", MANAGER),
    ("leases.end_term", "POST"): ("/office/leases/MAIN/1/terms/1/end", MANAGER),
    ("leases.withdraw_term", "POST"): ("/office/leases/MAIN/1/terms/1/withdraw", MANAGER),
    ("leases.dispute", "GET"): ("/office/leases/MAIN/1/disputes/1", MANAGER),
    ("leases.decide_dispute", "POST"): ("/office/leases/MAIN/1/disputes/1", MANAGER),
    ("leases.rates", "GET"): ("/office/leases/MAIN/rates", READERS),
    ("leases.set_rate", "POST"): ("/office/leases/MAIN/rates", MANAGER),
    ("leases.withdraw_rate", "POST"): ("/office/leases/MAIN/rates/1/withdraw", MANAGER),
    ("leases.rules", "GET"): ("/office/leases/MAIN/rules", READERS),
    ("leases.change_rules", "GET"): ("/office/leases/MAIN/rules/change", MANAGER),
    ("leases.set_rules", "POST"): ("/office/leases/MAIN/rules/change", MANAGER),
    ("leases.withdraw_rules", "POST"): ("/office/leases/MAIN/rules/1/withdraw", MANAGER),
    ("leases.index_values", "GET"): ("/office/leases/MAIN/index-values", READERS),
    ("leases.enter_index", "POST"): ("/office/leases/MAIN/index-values", MANAGER),
    ("leases.bring_index", "POST"): ("/office/leases/MAIN/index-values/file", MANAGER),
    ("leases.waiting", "GET"): ("/office/leases/MAIN/waiting", READERS),
    ("leases.ask", "GET"): ("/office/leases/MAIN/waiting/new", MANAGER),
    ("leases.put_on_list", "POST"): ("/office/leases/MAIN/waiting/new", MANAGER),
    ("leases.withdraw_asking", "POST"): ("/office/leases/MAIN/waiting/1/withdraw", MANAGER),
    ("leases.forget_asker", "POST"): ("/office/leases/MAIN/waiting/1/forget", MANAGER),
    ("leases.turn", "GET"): ("/office/leases/MAIN/vacancies/S1", READERS),
    ("leases.make_offer", "POST"): ("/office/leases/MAIN/vacancies/S1", MANAGER),
    ("leases.offer", "GET"): ("/office/leases/MAIN/offers/1", READERS),
    ("leases.accept_offer", "POST"): ("/office/leases/MAIN/offers/1/accept", MANAGER),
    ("leases.end_offer", "POST"): ("/office/leases/MAIN/offers/1/end", MANAGER),
    ("leases.write_offer_letter", "POST"): ("/office/leases/MAIN/offers/1/letter", MANAGER),
    ("leases.letters", "GET"): ("/office/leases/MAIN/letters", READERS),
    ("leases.letter_pdf", "GET"): ("/office/leases/MAIN/letters/1.pdf", READERS),
    ("leases.write_letter", "POST"): ("/office/leases/MAIN/1/letters/agreement", MANAGER),
    ("leases.write_increases", "POST"): ("/office/leases/MAIN/letters/increases", MANAGER),
    ("leases.send_letter", "POST"): ("/office/leases/MAIN/letters/1/send", MANAGER),
    ("paying.dealer", "GET"): ("/office/dealers/D01/paying", READERS),
    ("paying.change", "POST"): ("/office/dealers/D01/paying", KEEPERS),
    ("paying.show_account", "POST"): ("/office/dealers/D01/paying/account", KEEPERS),
    ("paying.keep_tax_form", "POST"): ("/office/dealers/D01/tax-form", KEEPERS),
    ("paying.show_tax_number", "POST"): ("/office/dealers/D01/tax-form/number", KEEPERS),
    ("year.totals", "GET"): ("/office/payouts/year", READERS),
    ("year.totals_of", "GET"): ("/office/payouts/year/2026", READERS),
    ("year.totals_csv", "GET"): ("/office/payouts/year/2026.csv", READERS),
    ("year.thresholds", "GET"): ("/office/payouts/year/thresholds", READERS),
    ("year.set_threshold", "POST"): ("/office/payouts/year/thresholds", MANAGER),
    ("year.patronage", "GET"): ("/office/payouts/patronage", READERS),
    ("year.propose", "POST"): ("/office/payouts/patronage", KEEPERS),
    ("year.shares", "GET"): ("/office/payouts/patronage/2025", READERS),
    ("year.approve", "POST"): ("/office/payouts/patronage/2025/approve", KEEPERS),
    ("year.drop", "POST"): ("/office/payouts/patronage/2024/drop", KEEPERS),
    ("releases.first", "GET"): ("/office/payouts/releases/", READERS),
    ("releases.ask", "POST"): ("/office/payouts/releases/", KEEPERS),
    ("releases.approve", "POST"): ("/office/payouts/releases/1/approve", KEEPERS),
    ("releases.refuse", "POST"): ("/office/payouts/releases/2/refuse", KEEPERS),
    ("portal.paid", "GET"): ("/portal/paid", DEALER),
    ("portal.how_paid", "GET"): ("/portal/paid/D01", DEALER),
    ("portal.change_paid", "POST"): ("/portal/paid/D01", DEALER),
    ("books.first", "GET"): ("/office/books/", READERS),
    ("books.trial", "GET"): ("/office/books/trial-balance", READERS),
    ("books.sheet", "GET"): ("/office/books/months/2026-11", READERS),
    ("books.account", "GET"): ("/office/books/account?path=Assets:Drawer:MAIN", READERS),
    ("books.entries", "GET"): ("/office/books/entries", READERS),
    ("books.entry", "GET"): ("/office/books/entries/1", READERS),
    ("books.find", "GET"): ("/office/books/find?find=25.00", READERS),
    ("books.exports", "GET"): ("/office/books/exports", READERS),
    ("books.export", "GET"): ("/office/books/export?format=csv", READERS),
    ("books.hand", "GET"): ("/office/books/by-hand", READERS),
    ("books.new", "GET"): ("/office/books/by-hand/new", BY_HAND),
    ("books.enter", "POST"): ("/office/books/by-hand/new", BY_HAND),
    ("books.by_hand", "GET"): ("/office/books/by-hand/1", READERS),
    ("books.paper", "GET"): ("/office/books/by-hand/1/document", READERS),
    ("books.approve", "POST"): ("/office/books/by-hand/1/approve", BY_HAND),
    ("books.refuse", "POST"): ("/office/books/by-hand/1/refuse", BY_HAND),
    ("books.reversal", "GET"): ("/office/books/entries/1/reverse", BY_HAND),
    ("books.reverse", "POST"): ("/office/books/entries/1/reverse", BY_HAND),
    ("books.rules", "GET"): ("/office/books/rules", READERS),
    ("books.change_rules", "GET"): ("/office/books/rules/change", MANAGER),
    ("books.set_rules", "POST"): ("/office/books/rules/change", MANAGER),
    ("books.add_release", "POST"): ("/office/books/rules/release", MANAGER),
    ("books.end_release", "POST"): ("/office/books/rules/release/1/end", MANAGER),
    ("portal.home", "GET"): ("/portal/", DEALER),
    ("portal.statements", "GET"): ("/portal/statements", DEALER),
    ("portal.statement", "GET"): ("/portal/statements/MAIN.D01.2026-10", DEALER),
    ("portal.statement_pdf", "GET"): ("/portal/statements/MAIN.D01.2026-10.pdf", DEALER),
    ("portal.statement_line", "GET"): ("/portal/statements/MAIN.D01.2026-10/lines/sales/3", DEALER),
    ("portal.ask_line", "POST"): ("/portal/statements/MAIN.D01.2026-10/lines/charges/0", DEALER),
    ("portal.statement_questions", "GET"): ("/portal/statements/MAIN.D01.2026-10/questions", DEALER),
    ("portal.ask_statement", "POST"): ("/portal/statements/MAIN.D01.2026-10/questions", DEALER),
    ("office.resend_letters", "POST"): ("/office/letters/resend", MANAGER),
    ("office.statement_line", "GET"): ("/office/statements/MAIN.D01.2026-10/lines/opening/0", READERS),
    ("questions.first", "GET"): ("/office/letters/questions/", READERS),
    ("questions.question", "GET"): (lambda house, _: f"/office/letters/questions/{house.question}", READERS),
    ("questions.answer", "POST"): (lambda house, _: f"/office/letters/questions/{house.question}", MANAGER),
    ("portal.sales", "GET"): ("/portal/sales", DEALER),
    ("portal.details", "GET"): ("/portal/details", DEALER),
    ("portal.change_own_details", "POST"): ("/portal/details", DEALER),
    ("portal.my_lease", "GET"): ("/portal/lease", DEALER),
    ("portal.sign", "POST"): ("/portal/lease/1/sign", DEALER),
    ("portal.write_agreement", "POST"): ("/portal/lease/1/agreement", DEALER),
    ("portal.letter_pdf", "GET"): ("/portal/letters/1.pdf", DEALER),
    ("portal.notice", "GET"): ("/portal/lease/1/notice", DEALER),
    ("portal.give_notice", "POST"): ("/portal/lease/1/notice", DEALER),
    ("portal.take_back_notice", "POST"): ("/portal/lease/1/notice/take-back", DEALER),
    ("portal.dispute", "GET"): ("/portal/charges/1/dispute", DEALER),
    ("portal.open_dispute", "POST"): ("/portal/charges/1/dispute", DEALER),
    ("portal.offer", "GET"): ("/portal/offers/1", DEALER),
    ("portal.answer_offer", "POST"): ("/portal/offers/1", DEALER),
    ("portal.waiting", "GET"): ("/portal/waiting", DEALER),
    ("portal.ask", "POST"): ("/portal/waiting", DEALER),
    ("portal.withdraw_wish", "POST"): ("/portal/waiting/2/withdraw", DEALER),
    **TURNS,
    **RESETS,
    **OVERFLOW,
}


def test_the_table_names_every_address(web: Web) -> None:
    there = {
        (rule.endpoint, method) for rule in web.app.url_map.iter_rules() for method in rule.methods or () if method != "HEAD"
    }
    assert there == set(TABLE)


SHOWN: dict[str, str] = {}
"""The form's cookie, and its token, of the first browser that was shown a form in this process."""


def shown_form(client: FlaskClient) -> str:
    """The token of a form, with whose cookie this browser goes on: they hang together, on no database and on nobody's name."""
    if not SHOWN:
        token = form_token(client)
        cookie = client.get_cookie("coop-form")
        assert cookie is not None
        SHOWN.update(cookie=cookie.value, token=token)
    client.set_cookie("coop-form", SHOWN["cookie"])
    return SHOWN["token"]


@pytest.mark.parametrize(("endpoint", "method"), TABLE)
def test_an_address_lets_in_its_roles_and_nobody_else(web: Web, endpoint: str, method: str) -> None:
    address, allowed = TABLE[endpoint, method]
    for actor in sorted(ALL):
        client = web.browser(None if actor == "stranger" else actor)
        path = address if isinstance(address, str) else address(web.house, actor)
        sent: dict[str, Any] = {"data": {"csrf_token": shown_form(client)}} if method == "POST" else {}
        with client.open(path, method=method, **sent) as answer:
            location = answer.headers.get("Location", "")
        turned_to_sign_in = answer.status_code == 303 and location.startswith("/sign-in")
        came_in = answer.status_code != 403 and (not turned_to_sign_in or (endpoint == "people.sign_out" and actor != "stranger"))
        assert came_in is (actor in allowed), f"{actor} at {method} {path}: {answer.status_code}"
        if actor in allowed:
            assert answer.status_code in (200, 303, 422), f"{actor} at {method} {path}: {answer.status_code}"


@pytest.mark.parametrize("endpoint", [endpoint for endpoint, method in TABLE if method == "POST"])
def test_a_form_without_its_token_changes_nothing(web: Web, endpoint: str) -> None:
    address, allowed = TABLE[endpoint, "POST"]
    actor = "manager" if "manager" in allowed else "dealer"
    assert actor in allowed
    path = address if isinstance(address, str) else address(web.house, actor)
    client = web.browser(actor)
    assert client.get("/account").status_code == 200
    answer = client.post(path)
    assert answer.status_code == 400
    assert "no longer good" in answer.text
    assert client.get("/account").status_code == 200


def test_a_token_of_another_browser_is_refused(web: Web) -> None:
    theirs = form_token(web.browser("dealer"))
    client = web.browser("manager")
    form_token(client)
    assert client.post("/sign-out", data={"csrf_token": theirs}).status_code == 400


def test_a_stranger_is_brought_back_after_signing_in(web: Web) -> None:
    answer = web.browser().get("/office/letters?state=failed")
    assert answer.headers["Location"] == "/sign-in?next=/office/letters?state%3Dfailed"


def test_an_address_that_states_no_role_is_never_served(own_web: Web) -> None:
    own_web.app.add_url_rule("/open-door", "open_door", lambda: "anyone may read this")
    client = own_web.browser("manager")
    answer = client.get("/open-door")
    assert answer.status_code == 500
    assert "anyone may read this" not in answer.text


@pytest.mark.parametrize(
    ("who", "path", "sentence"),
    [
        ("manager", "/portal/", "This page is for dealers. You are signed in as manager."),
        ("dealer", "/office/", "This page is for the manager, the bookkeeper and the auditor. You are signed in as dealer."),
        ("nobody", "/portal/", "This page is for dealers. Your sign-in has no role yet: the manager can give you one."),
    ],
)
def test_who_is_turned_away_reads_whom_the_page_is_for(web: Web, who: str, path: str, sentence: str) -> None:
    answer = web.browser(who).get(path)
    assert answer.status_code == 403
    assert sentence in answer.text
