"""What a line of the bank is proposed to be: surely, likely, a sum, a batch of cards, taken back; or twice, and so not."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.books.domain.matching import (
    CardDay,
    OpenItem,
    OpenLine,
    Proposal,
    open_card_days,
    propose,
    references_in,
)

OCT = date(2026, 10, 1)


def line(number: int, day: int, dollars: int, reference: str = "", words: str = "") -> OpenLine:
    return OpenLine(number, OCT + timedelta(day - 1), dollars * 100, reference, words)


def item(number: int, day: int, dollars: int, label: str = "Payout", kind: str = "payout") -> OpenItem:
    return OpenItem(number, None, OCT + timedelta(day - 1), dollars * 100, kind, label, references_in(label))


def only(found: list[Proposal]) -> Proposal:
    assert len(found) == 1
    return found[0]


def entries(proposal: Proposal) -> list[int]:
    return [one.entry_id for one in proposal.items]


def test_amount_and_reference_make_it_sure_though_another_has_the_amount() -> None:
    """Checks 1042 and 1043 of 50.00 each, cashed the other way round."""
    found = propose(
        [line(1, 6, -50, "001043"), line(2, 8, -50, "", "CHECK 1042")],
        [item(7, 2, -50, "Payout 1042"), item(8, 2, -50, "Payout 1043")],
    )
    assert [(one.kind, entries(one)) for one in found] == [("sure", [8]), ("sure", [7])]
    assert found[0].sentence == "It is “Payout 1043” of Oct 2, 2026: the amount and the reference are the same."


def test_an_amount_no_other_entry_has_is_likely_within_days_only() -> None:
    found = propose([line(1, 20, 300)], [item(7, 11, 300, "To the bank", "banked"), item(8, 1, 300, "To the bank", "banked")])
    assert (only(found).kind, entries(found[0])) == ("likely", [7])
    assert only(propose([line(1, 20, 300)], [item(8, 1, 300)])).kind == "unknown"
    assert only(propose([line(1, 20, -300)], [item(8, 1, -300)])).kind == "likely"


def test_a_check_of_another_number_is_never_taken_for_it() -> None:
    assert only(propose([line(1, 6, -50, "1044")], [item(7, 2, -50, "Payout 1042")])).kind == "unknown"


def test_a_check_paid_at_another_amount_says_what_it_is_in_the_books() -> None:
    """Check 1042 is 70.00 at one mall less 12.00 owed at the other: 58.00."""
    parts = [
        item(1, 2, -70, "Payout, run 3, check 1042"),
        item(2, 2, 12, "Payout, run 3, check 1042: what was owed here, taken off it"),
        item(3, 2, -57, "Payout, run 3, check 1043"),
    ]
    found = only(propose([line(1, 6, -85, "1042")], parts))
    assert (found.kind, found.sentence) == ("unknown", "Nothing in the books fits it: check 1042 is in the books at $58.00.")
    assert only(propose([line(1, 6, -85, "1044")], parts)).sentence == "Nothing in the books fits it."


def test_what_fits_two_entries_is_not_matched_and_both_are_named() -> None:
    found = only(propose([line(1, 6, -50)], [item(7, 2, -50, "Payout 1042"), item(8, 3, -50, "Payout 1043")]))
    assert (found.kind, entries(found), found.matches) == ("ambiguous", [7, 8], False)
    assert found.sentence == (
        "It fits two entries, “Payout 1042” of Oct 2, 2026 and “Payout 1043” of Oct 3, 2026: choose by hand which of them it is."
    )


def test_two_lines_that_fit_one_entry_are_not_matched() -> None:
    found = propose([line(1, 6, -50), line(2, 7, -50)], [item(7, 2, -50, "Payout to D01")])
    assert [one.kind for one in found] == ["ambiguous", "ambiguous"]
    assert found[0].sentence == (
        "Two lines of the bank, of Oct 6, 2026 and Oct 7, 2026, fit “Payout to D01” of Oct 2, 2026: "
        "choose by hand which of them it is."
    )


def test_a_deposit_is_two_drawers_and_some_checks() -> None:
    """120 + 45 + 260 = 425; the 99 stays."""
    drawers = [item(1, 5, 120), item(2, 5, 45), item(3, 4, 260), item(4, 5, 99)]
    found = only(propose([line(1, 6, 425)], drawers))
    assert (found.kind, sorted(entries(found))) == ("sums", [1, 2, 3])
    assert found.sentence.startswith("It is 3 entries together:")


def test_a_sum_in_two_ways_is_not_matched() -> None:
    """100 + 50 = 90 + 60."""
    found = only(propose([line(1, 6, 150)], [item(1, 5, 100), item(2, 5, 50), item(3, 5, 90), item(4, 5, 60)]))
    assert found.kind == "ambiguous"
    assert "a sum in two ways" in found.sentence


def test_one_debit_is_all_the_payouts_of_a_day() -> None:
    """Thirty payouts of 1 to 30 dollars are 465.00; a check of another day is not among them."""
    payouts = [item(n, 2, -n, f"Payout of D{n:03d}") for n in range(1, 31)]
    found = only(propose([line(1, 4, -465)], [*payouts, item(99, 1, -17, "Payout 1042")]))
    assert (found.kind, len(found.items)) == ("sums", 30)
    assert found.sentence == "It is all 30 entries of the kind payout of Oct 2, 2026 together."


def test_a_check_of_parts_at_two_malls_one_of_them_owed_there() -> None:
    """70.00 less 12.50 is a check of 57.50, whatever else is open."""
    parts = [item(1, 2, -70, "Payout, run 3, check 1042"), item(3, 2, -57, "Payout, run 3, check 1043")]
    owed = OpenItem(2, None, OCT + timedelta(1), 12_50, "payout", "Payout, run 3, check 1042: what was owed here, taken off it")
    found = only(propose([OpenLine(9, OCT + timedelta(8), -57_50, "1042", "CHECK")], [*parts, owed]))
    assert (found.kind, sorted(entries(found))) == ("sure", [1, 2])


def test_one_debit_is_a_runs_transfers_with_what_was_owed_taken_off() -> None:
    """100 + 200 + ... + 800 = 3,600.00, less 50.00 owed at the other mall; the run's checks of that day are not in it."""
    transfers = [item(n, 2, -100 * n, "Payout, run 3, bank transfer") for n in range(1, 9)]
    transfers.append(item(9, 2, 50, "Payout, run 3, bank transfer: what was owed here, taken off it"))
    checks = [item(20, 2, -33, "Payout, run 3, check 1042")]
    found = only(propose([line(1, 4, -3550)], [*transfers, *checks]))
    assert (found.kind, len(found.items)) == ("sums", 9)
    assert found.sentence == "It is all 9 entries of “Payout, run 3, bank transfer” of Oct 2, 2026 together."


# --- cards --------------------------------------------------------------------------------------------------------------

WEEKEND = [CardDay("MAIN", OCT + timedelta(n), cents) for n, cents in ((1, 400_00), (2, 900_00), (3, 700_00))]


def test_a_batch_is_some_days_less_a_fee() -> None:
    """Friday's 400.00 less 2.5% is 390.00; Saturday and Sunday are 1,600.00, less 2.5% 1,560.00."""
    found = propose([line(1, 5, 390), line(2, 6, 1560)], [], WEEKEND)
    assert [one.kind for one in found] == ["cards", "cards"]
    first, second = (one.batch for one in found)
    assert first is not None
    assert second is not None
    assert (first.first.day, first.last.day, first.gross_cents, first.fee_cents) == (2, 2, 400_00, 10_00)
    assert (second.first.day, second.last.day, second.gross_cents, second.fee_cents) == (3, 4, 1600_00, 40_00)
    assert found[1].sentence == ("It is the card sales of MAIN of Oct 3 to Oct 4, 2026, $1,600.00, less a fee of $40.00 (2.50%).")


def test_the_exact_gross_goes_before_a_gross_less_a_fee() -> None:
    days = [CardDay("MAIN", OCT, 103_00), CardDay("EAST", OCT, 100_00)]
    found = only(propose([line(1, 3, 100)], [], days))
    assert found.batch is not None
    assert (found.batch.mall, found.batch.fee_cents) == ("EAST", 0)


def test_a_batch_of_either_of_two_malls_is_left_to_a_person() -> None:
    found = only(propose([line(1, 3, 100)], [], [CardDay("MAIN", OCT, 103_00), CardDay("EAST", OCT, 104_00)]))
    assert (found.kind, found.batch) == ("ambiguous", None)


@pytest.mark.parametrize(("dollars", "day"), [(94, 3), (101, 3), (98, 9), (-98, 3)])
def test_what_is_no_batch(dollars: int, day: int) -> None:
    """Of 100.00 of the 1st: a fee of 6%, more than the gross, eight days later, money out."""
    assert only(propose([line(1, day, dollars)], [], [CardDay("MAIN", OCT, 100_00)])).kind == "unknown"


def test_what_came_counts_for_the_oldest_days() -> None:
    """Of 400, 900, 700: 400 came, then 1,000 in all; a day of refunds is taken off what comes next."""
    days = [(day.on.day, day.gross_cents) for day in open_card_days(WEEKEND, {"MAIN": 400_00})]
    assert days == [(3, 900_00), (4, 700_00)]
    days = [(day.on.day, day.gross_cents) for day in open_card_days(WEEKEND, {"MAIN": 1000_00})]
    assert days == [(3, 300_00), (4, 700_00)]
    assert open_card_days([CardDay("MAIN", OCT, -50_00), *WEEKEND], {"MAIN": 1950_00}) == []


# --- taken back ---------------------------------------------------------------------------------------------------------


def test_a_line_the_bank_took_back() -> None:
    found = propose([line(1, 6, -540), line(2, 7, 540), line(3, 7, 12)], [])
    assert [(one.kind, one.other_line_id) for one in found] == [("cancels", 2), ("cancels", 1), ("unknown", None)]
    assert found[0].sentence == "The bank took it back: the line of Oct 7, 2026 has the opposite amount."


def test_two_that_could_be_taken_back_by_one_are_left_to_a_person() -> None:
    assert {one.kind for one in propose([line(1, 6, -540), line(2, 6, -540), line(3, 7, 540)], [])} == {"unknown"}


# --- what always holds --------------------------------------------------------------------------------------------------


def test_references_of_an_entry() -> None:
    assert references_in("MAIN/2026-10/D01", "Payout 0001042, 2026-10-31, #B-77x") == {"D01", "1042", "77X"}


@given(
    st.lists(
        st.tuples(st.integers(1, 28), st.integers(-40, 40).filter(bool), st.sampled_from(["", "1042", "1043"])), max_size=10
    ),
    st.lists(
        st.tuples(st.integers(1, 28), st.integers(-40, 40).filter(bool), st.sampled_from(["Payout", "Payout 1042"])), max_size=10
    ),
    st.lists(st.tuples(st.integers(1, 28), st.integers(1, 40)), max_size=5),
)
def test_whatever_is_proposed_adds_up_and_no_entry_is_proposed_twice(
    lines: list[tuple[int, int, str]], items: list[tuple[int, int, str]], cards: list[tuple[int, int]]
) -> None:
    sought = [line(n, day, dollars, reference) for n, (day, dollars, reference) in enumerate(lines)]
    there = [item(n, day, dollars, label) for n, (day, dollars, label) in enumerate(items)]
    days = [CardDay("MAIN", OCT + timedelta(day), dollars * 100) for day, dollars in dict(cards).items()]
    found = propose(sought, there, days)
    cents = {one.id: one.cents for one in sought}
    assert sorted(one.line_id for one in found) == sorted(cents)
    taken = [key for one in found if one.matches for key in entries(one)]
    assert len(taken) == len(set(taken))
    for one in found:
        if one.matches:
            assert sum(entry.cents for entry in one.items) == cents[one.line_id]
        elif one.batch:
            assert one.batch.gross_cents - one.batch.fee_cents == cents[one.line_id]
        elif one.other_line_id is not None:
            assert cents[one.other_line_id] == -cents[one.line_id]
