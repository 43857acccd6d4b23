"""What taxes, said in the office: what is written, what is refused at which field, and what the page says back."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.floor.models import Mall
from coop.tax.models import Jurisdiction, TaxRate, TaxRule, TaxSetting
from tests.factories.tax import filer_of
from tests.integration.web.conftest import Web, send

STATE = "/office/tax/jurisdictions/EL"
COUNTY = "/office/tax/jurisdictions/EL-ALDER"
TODAY = "2026-11-03"


def written(web: Web) -> dict[str, int]:
    """How many rows there are of what these pages write."""
    with web.sessions() as session:
        tables = (Jurisdiction, TaxRate, TaxRule, TaxSetting, AuditLog)
        return {table.__tablename__: session.scalar(select(func.count()).select_from(table)) or 0 for table in tables}


def mistake_at(page: str, field: str) -> str:
    """What is said to be wrong with a field; empty when nothing is."""
    found = re.search(rf'id="{re.escape(field)}-wrong">(.*?)</p>', page, re.S)
    return re.sub(r"<[^>]*>|✻", "", found[1]).strip().replace("&#39;", "'") if found else ""


def logged(web: Web) -> list[tuple[str, str, int | None]]:
    with web.sessions() as session:
        rows = session.scalars(select(AuditLog).order_by(AuditLog.id.desc()).limit(3))
        return [(row.action, row.subject_id, row.user_id) for row in rows]


def one_rate(web: Web, **where: object) -> TaxRate:
    with web.sessions() as session:
        return session.scalars(select(TaxRate).filter_by(**where)).one()


def rate_id(web: Web, code: str = "EL") -> int:
    with web.sessions() as session:
        query = select(TaxRate.id).join(Jurisdiction, Jurisdiction.id == TaxRate.jurisdiction_id).where(Jurisdiction.code == code)
        return session.scalars(query.order_by(TaxRate.id)).first() or 0


def sell(web: Web, day: date) -> None:
    with transaction(web.sessions) as session:
        filer_of(session, web.clock.at, session.get_one(Mall, web.house.mall.id), count=70).sell(day, 10_000)


# --- jurisdictions --------------------------------------------------------------------------------------------------------

TOWN = {"kind": "city", "name": "Town of Birch", "code": "el-birch", "state_fips": "97", "fips": "042"}


def test_a_jurisdiction_is_added_by_hand(web: Web) -> None:
    client = web.browser("manager")
    answer = send(client, "/office/tax/jurisdictions/new", **TOWN)
    assert answer.headers["Location"] == "/office/tax/jurisdictions/EL-BIRCH#rates"
    page = client.get(answer.headers["Location"]).text
    assert "Town of Birch is added. Set its rate next" in page
    assert logged(web)[0] == ("jurisdiction added", "EL-BIRCH", web.house.users["manager"])
    with web.sessions() as session:
        made = session.scalars(select(Jurisdiction).where(Jurisdiction.code == "EL-BIRCH")).one()
        assert (made.kind, made.state_fips, made.fips) == ("city", "97", "042")


NO_JURISDICTIONS: list[tuple[dict[str, str], str, str]] = [
    ({"name": " "}, "name", "Write its name"),
    ({"code": "EL BIRCH"}, "code", "Use letters, digits and hyphens"),
    ({"code": "EL"}, "code", "there is one already"),
    ({"state_fips": "Elder"}, "state_fips", "two digits"),
    ({"state_fips": ""}, "state_fips", "Write the two digits"),
    ({"fips": "0 42"}, "fips", "Write digits such as 079"),
    ({"kind": "county", "fips": "001"}, "fips", "Alder county is the county of that code"),
    ({"kind": "village"}, "kind", "Choose one of those listed."),
]


def test_a_jurisdiction_that_cannot_be_is_told_at_its_field(web: Web) -> None:
    for fields, at, sentence in NO_JURISDICTIONS:
        refused(web, "/office/tax/jurisdictions/new", {**TOWN, **fields}, at, sentence)


def refused(web: Web, path: str, fields: dict[str, str], at: str, sentence: str) -> str:
    """Send what cannot be: it is told at its field, what was typed stays, nothing is written."""
    before = written(web)
    answer = send(web.browser("manager"), path, **fields)
    assert answer.status_code == 422, answer.text
    assert sentence in mistake_at(answer.text, at), answer.text
    for name, typed in fields.items():
        if typed.strip() and not re.search(rf'<select[^>]* name="{re.escape(name)}"', answer.text) and typed != "y":
            kept = re.search(rf'<input[^>]*name="{re.escape(name)}"[^>]*value="([^"]*)"', answer.text)
            assert kept, name
            assert kept[1].lower() == typed.strip().lower()
    assert written(web) == before
    return answer.text


# --- rates ----------------------------------------------------------------------------------------------------------------

FOOD = {"tax_class": "food", "new_class": "y", "percent": "1.5", "starts_on": "2026-12-01", "ends_on": ""}


def test_a_rate_of_a_class_is_set_changed_and_ended(web: Web) -> None:
    client = web.browser("manager")
    answer = send(client, STATE + "/rates/new", **FOOD)
    page = client.get(answer.headers["Location"]).text
    assert "1.5% is set for food from Dec 1, 2026." in page
    assert "tickets sold since then" not in page
    first = one_rate(web, tax_class="food")
    answer = send(client, f"/office/tax/rates/{first.id}/change", percent="2 %", from_day="2027-01-01")
    assert "food: 2% from Jan 1, 2027." in client.get(answer.headers["Location"]).text
    assert one_rate(web, id=first.id).ends_on == date(2026, 12, 31)
    second = one_rate(web, tax_class="food", ends_on=None)
    assert second.percent == Decimal(2)
    send(client, f"/office/tax/rates/{second.id}/end", ends_on="2027-06-30")
    assert one_rate(web, id=second.id).ends_on == date(2027, 6, 30)
    assert [action for action, _, _ in logged(web)] == ["rate ended", "rate changed", "rate set"]


def test_a_rate_from_before_today_says_what_past_tickets_keep(web: Web) -> None:
    client = web.browser("manager")
    answer = send(client, STATE + "/rates/new", **{**FOOD, "starts_on": "2026-11-01"})
    assert "tickets sold since then keep what they were charged" in client.get(answer.headers["Location"]).text


NO_RATES: list[tuple[dict[str, str], str, str]] = [
    ({"tax_class": "general", "starts_on": "2026-12-01"}, "starts_on", "overlaps the rate held from 2020-01-01 on"),
    ({"ends_on": "2026-11-30"}, "ends_on", "It would end before it starts on 2026-12-01"),
    ({"percent": "-1"}, "percent", "cannot be negative"),
    ({"percent": "101"}, "percent", "more than the price"),
    ({"percent": "1.1234567"}, "percent", "six decimal places"),
    ({"percent": "five"}, "percent", "Write it like 5.5."),
    ({"percent": ""}, "percent", "Write the rate"),
    ({"starts_on": "Dec 1"}, "starts_on", "This is not a day. Write it like 2026-10-19."),
    ({"tax_class": "fodo", "new_class": ""}, "tax_class", "fodo is not a class in use. In use: books, clothing, general."),
    ({"tax_class": "f$od"}, "tax_class", "f$od is no tax class"),
    ({"tax_class": "food, books"}, "tax_class", "Write one class"),
]


def test_a_rate_that_cannot_be_is_told_at_its_field(web: Web) -> None:
    for fields, at, sentence in NO_RATES:
        refused(web, STATE + "/rates/new", {**FOOD, **fields}, at, sentence)


def test_a_rate_that_was_charged_goes_on_in_a_row_of_its_own(web: Web) -> None:
    sell(web, date(2026, 11, 2))
    used = rate_id(web)
    address = f"/office/tax/rates/{used}"
    assert "Take the rate back" not in web.browser("manager").get(address).text
    refused(web, address + "/change", {"percent": "6", "from_day": "2026-11-02"}, "from_day", "A ticket of 2026-11-02 was taxed")
    refused(web, address + "/end", {"ends_on": "2026-11-01"}, "ends_on", "A ticket of 2026-11-02 was taxed")
    refused(web, address + "/end", {"ends_on": "2019-12-31"}, "ends_on", "It starts on 2020-01-01")
    refused(web, address + "/change", {"percent": "6", "from_day": "2020-01-01"}, "from_day", "take it back")
    client = web.browser("manager")
    answer = send(client, address + "/withdraw")
    assert answer.status_code == 422
    assert "cannot be taken back" in answer.text
    assert send(client, address + "/change", percent="6", from_day="2026-11-03").status_code == 303
    assert one_rate(web, id=used).percent == Decimal(5)


def test_a_rate_set_by_mistake_is_taken_back(web: Web) -> None:
    client = web.browser("manager")
    send(client, STATE + "/rates/new", **FOOD)
    made = one_rate(web, tax_class="food")
    answer = send(client, f"/office/tax/rates/{made.id}/withdraw")
    assert "The rate of 1.5% for food is taken back." in client.get(answer.headers["Location"]).text
    assert logged(web)[0][0] == "rate taken back"
    assert client.get(f"/office/tax/rates/{made.id}").status_code == 404


def test_a_rate_does_not_end_on_its_successors_days(web: Web) -> None:
    client = web.browser("manager")
    send(client, STATE + "/rates/new", **{**FOOD, "ends_on": "2026-12-31"})
    send(client, STATE + "/rates/new", **{**FOOD, "starts_on": "2027-01-01"})
    first = one_rate(web, tax_class="food", ends_on=date(2026, 12, 31))
    refused(web, f"/office/tax/rates/{first.id}/end", {"ends_on": "2027-01-01"}, "ends_on", "The next rate for food begins")


# --- rules ----------------------------------------------------------------------------------------------------------------

OPEN = {"starts_on": "2026-12-01", "ends_on": ""}
HOLIDAY = {
    "name": "winter week",
    "tax_classes": "clothing, books",
    "limit": "75",
    "limit_included": "no",
    "starts_on": "2026-12-01",
    "ends_on": "2026-12-07",
}
ARTICLE = {
    **OPEN,
    "cap": "1600",
    "tiers-0-name": "single-article",
    "tiers-0-over": "1,600",
    "tiers-0-upto": "3200",
    "tiers-0-percent": "2.75",
    "tax_classes": "",
}
THRESHOLD = {**OPEN, "tax_classes": "clothing", "upto": "110", "limit_included": "yes", "excess_only": "yes"}
RULES: list[tuple[str, dict[str, str], str]] = [
    ("exempt", {**OPEN, "tax_class": "clothing"}, "From Dec 1, 2026 on, articles of the class clothing are not taxed."),
    (
        "holiday",
        HOLIDAY,
        "From Dec 1, 2026 to Dec 7, 2026, an article of clothing or books that costs less than $75.00 is not taxed, "
        "and one that costs that or more is taxed in full (winter week).",
    ),
    (
        "article",
        ARTICLE,
        "From Dec 1, 2026 on, the rate is taken on the first $1,600.00 of the price of each article "
        "and 2.75% (single-article) on the part above $1,600.00 up to $3,200.00.",
    ),
    ("threshold", THRESHOLD, "costs $110.00 or less is not taxed, and a dearer one is taxed only on what is above $110.00."),
    ("delivery", {**OPEN, "how": "proportion"}, "a delivery charge is taxed in the proportion in which the goods delivered are."),
    (
        "reduction",
        {**OPEN, "seller_coupon": "yes", "maker_coupon": "no", "trade_in": "yes"},
        "the seller's own coupon and a trade-in lower the price that is taxed, but a maker's coupon does not.",
    ),
]


@pytest.mark.parametrize(("kind", "fields", "sentence"), RULES, ids=[kind for kind, _, _ in RULES])
def test_a_rule_of_each_kind_is_set_said_back_and_ended(web: Web, kind: str, fields: dict[str, str], sentence: str) -> None:
    client = web.browser("manager")
    answer = send(client, f"{COUNTY}/rules/{kind}", **fields)
    assert answer.status_code == 303, answer.text
    page = client.get(answer.headers["Location"]).text.replace("&#39;", "'")
    assert page.count(sentence) == 2  # as what was done, and in the list
    assert logged(web)[0][:2] == ("tax rule set", "EL-ALDER")
    with web.sessions() as session:
        made = session.scalars(select(TaxRule).order_by(TaxRule.id.desc())).first()
        assert made is not None
        assert made.kind == kind
    assert sentence in client.get(f"/office/tax/rules/{made.id}").text.replace("&#39;", "'")
    answer = send(client, f"/office/tax/rules/{made.id}/end", ends_on="2026-12-05")
    assert "From Dec 1, 2026 to Dec 5, 2026, " in client.get(answer.headers["Location"]).text
    refused(web, f"/office/tax/rules/{made.id}/end", {"ends_on": "2026-11-30"}, "ends_on", "It starts on 2026-12-01")
    refused(web, f"/office/tax/rules/{made.id}/end", {"ends_on": "2026-12-06"}, "ends_on", "The rule ends on 2026-12-05 already")


NO_RULES: list[tuple[str, dict[str, str], str, str]] = [
    ("holiday", {**HOLIDAY, "ends_on": ""}, "ends_on", "A holiday needs a last day"),
    ("holiday", {**HOLIDAY, "ends_on": "2026-11-01"}, "ends_on", "It would end before it starts"),
    ("holiday", {**HOLIDAY, "limit": "-5"}, "limit", "cannot be negative"),
    ("holiday", {**HOLIDAY, "limit": "0.005"}, "limit", "parts of a cent"),
    ("holiday", {**HOLIDAY, "tax_classes": "cloths"}, "tax_classes", "cloths is not a class in use"),
    ("holiday", {**HOLIDAY, "tax_classes": ""}, "tax_classes", "Write the classes"),
    ("threshold", {**THRESHOLD, "upto": ""}, "upto", "Write the price"),
    ("exempt", {**OPEN, "tax_class": "clothing, books"}, "tax_class", "Write one class"),
    ("article", {**ARTICLE, "tiers-0-upto": "1600"}, "tiers-0-upto", "must end above where it begins"),
    ("article", {**ARTICLE, "tiers-0-name": "general"}, "tiers-0-name", "general is a class of goods"),
    ("article", {**ARTICLE, "tiers-0-percent": ""}, "tiers-0-percent", "Write the tier's rate"),
    ("article", {**ARTICLE, "tiers-0-percent": "110"}, "tiers-0-percent", "more than the price"),
    ("article", {**ARTICLE, "tiers-0-over": ""}, "tiers-0-over", "Write the price above which"),
    ("article", {**OPEN, "cap": "", "tax_classes": ""}, "cap", "Write how much"),
    (
        "article",
        {**ARTICLE, "tiers-1-name": "upper", "tiers-1-over": "3000", "tiers-1-percent": "1"},
        "tiers-1-over",
        "Tiers rise",
    ),
    (
        "article",
        {**ARTICLE, "tiers-0-upto": "", "tiers-1-name": "upper", "tiers-1-over": "4000", "tiers-1-percent": "1"},
        "tiers-1-over",
        "The tier before has no end",
    ),
    (
        "article",
        {**ARTICLE, "tiers-1-name": "single-article", "tiers-1-over": "4000", "tiers-1-percent": "1"},
        "tiers-1-name",
        "Two tiers have this name",
    ),
]


def test_a_rule_that_cannot_be_is_told_at_its_field(web: Web) -> None:
    for kind, fields, at, sentence in NO_RULES:
        refused(web, f"{COUNTY}/rules/{kind}", fields, at, sentence)


def test_a_rule_that_contradicts_another_is_refused_whole(web: Web) -> None:
    send(web.browser("manager"), COUNTY + "/rules/article", **ARTICLE)
    fields = {**ARTICLE, "tiers-0-name": "upper", "starts_on": "2027-01-01"}
    refused(web, COUNTY + "/rules/article", fields, "starts_on", "two rules hold on 2027-01-01")


def test_a_rule_sent_twice_is_set_once(web: Web) -> None:
    assert send(web.browser("manager"), STATE + "/rules/holiday", **HOLIDAY).status_code == 303
    refused(web, STATE + "/rules/holiday", HOLIDAY, "starts_on", "This very rule is set already from 2026-12-01 to 2026-12-07")


def test_rules_that_contradict_each_other_are_found_when_a_rate_begins_to_tax(web: Web) -> None:
    client = web.browser("manager")
    send(client, "/office/tax/jurisdictions/new", **TOWN)
    town = "/office/tax/jurisdictions/EL-BIRCH"
    for how in ("taxable", "exempt"):
        assert send(client, town + "/rules/delivery", **{**OPEN, "how": how}).status_code == 303
    fields = {**FOOD, "starts_on": "2026-11-01"}
    refused(web, town + "/rates/new", fields, "starts_on", "Delivery in Town of Birch: two rules hold on 2026-12-01")
    assert send(client, town + "/rates/new", **{**fields, "ends_on": "2026-11-30"}).status_code == 303


def test_a_tier_that_has_a_rate_keeps_it(web: Web) -> None:
    client = web.browser("manager")
    send(client, COUNTY + "/rules/article", **{**ARTICLE, "ends_on": "2026-12-31"})
    again = {**ARTICLE, "starts_on": "2026-12-15"}
    refused(web, COUNTY + "/rules/article", again, "tiers-0-percent", "single-article has a rate of 2.75")


def test_a_rule_set_by_mistake_is_taken_back_with_its_tiers_rate(web: Web) -> None:
    client = web.browser("manager")
    before = written(web)
    send(client, COUNTY + "/rules/article", **ARTICLE)
    with web.sessions() as session:
        made = session.scalars(select(TaxRule).where(TaxRule.kind == "article")).one()
    assert send(client, f"/office/tax/rules/{made.id}/withdraw").status_code == 303
    after = written(web)
    assert {name: after[name] for name in ("tax_rule", "tax_rate")} == {name: before[name] for name in ("tax_rule", "tax_rate")}
    assert [action for action, _, _ in logged(web)][:2] == ["rate taken back", "tax rule taken back"]


def test_a_rule_under_which_something_was_sold_is_not_taken_back(web: Web) -> None:
    sell(web, date(2026, 11, 2))
    client = web.browser("manager")
    assert "Take the rule back" not in client.get("/office/tax/rules/1").text
    answer = send(client, "/office/tax/rules/1/withdraw")
    assert answer.status_code == 422
    assert "A ticket of 2026-11-02 was taxed while this rule held" in answer.text


def test_a_rule_neither_begins_nor_ends_on_days_that_tickets_were_taxed(web: Web) -> None:
    """They keep their tax; the month-end, which taxes them again by the rules of their days, could never close."""
    sell(web, date(2026, 11, 2))
    fields = {**OPEN, "tax_class": "clothing", "starts_on": "2026-11-01"}
    refused(
        web, STATE + "/rules/exempt", fields, "starts_on", "taxed without this rule and keeps its tax: begin on 2026-11-03 or"
    )
    refused(
        web, "/office/tax/rules/1/end", {"ends_on": "2026-11-01"}, "ends_on", "A ticket of 2026-11-02 was taxed while this rule"
    )
    refused(
        web, STATE + "/rates/new", {**FOOD, "starts_on": "2026-11-01"}, "starts_on", "taxed without this rate and keeps its tax"
    )
    client = web.browser("manager")
    assert send(client, "/office/tax/rules/1/end", ends_on="2026-11-02").status_code == 303
    assert send(client, STATE + "/rules/exempt", **{**fields, "starts_on": "2026-11-03"}).status_code == 303


def test_what_is_not_there_is_not_found(web: Web) -> None:
    client = web.browser("manager")
    for path in (
        "/office/tax/jurisdictions/NONE/rates/new",
        STATE + "/rules/unheard-of",
        "/office/tax/rules/99",
        "/office/tax/rates/99",
        STATE + "/settings?mall=NONE",
    ):
        assert client.get(path).status_code == 404, path


def test_a_reader_sees_what_holds_and_nothing_to_change_it_with(web: Web) -> None:
    for path in (STATE, "/office/tax/jurisdictions"):
        page = web.browser("auditor").get(path).text.partition("<main")[2]
        for way in ("/rates/", "/rules/", "/settings", "/new"):
            assert way not in page
