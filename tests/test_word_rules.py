"""The rules of words catch what breaks them: one good text, and each way of spoiling it."""

from __future__ import annotations

import pytest
from word_rules import BODY, budget_complaints, complaints

SUBJECT = "Magpie: heat has stopped, 2 °C"
TEXT = (
    "Sat 07:31. Nothing has warmed since 07:20. Coldest point 2 °C (cylinder 3). "
    "Have someone look at plug and cable. This holds until I write again: next word when above target; "
    "if none comes, count the engine as cold."
)
LINK = "https://magpie.example.org/answer/0123456789012345678901"


def test_a_good_text_has_nothing_against_it() -> None:
    assert complaints(SUBJECT, TEXT) == []
    assert complaints(SUBJECT, f"{TEXT}\n{LINK}") == []


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("Sat 07:31. ", "", "no weekday and time"),
        ("Sat 07:31. ", "07:31. ", "no weekday and time"),
        ("Sat 07:31. ", "Sat 27:31. ", "no weekday and time"),
        ("2 °C (", "2 (", "no value"),
        ("Have someone look at plug and cable. ", "", "no next action"),
        ("This holds until I write again: next", "Next", "not said until when"),
        ("next word when above target; ", "", "no next word"),
        ("; if none comes, count the engine as cold", "", "what silence means"),
        ("2 °C (", "−2 °C (", "a minus that is no word"),
        ("2 °C (", "-2 °C (", "a minus that is no word"),
        ("Coldest point", "It is safe. Coldest point", "nobody says 'safe'"),
        ("Coldest point", "Engine warm. Coldest point", "nobody says 'Engine warm'"),
        ("Coldest point", "All OK. Coldest point", "nobody says 'OK'"),
        ("Coldest point", "→ Coldest point", "a symbol"),
        ("Coldest point", "Coldest  point", "a hole"),
        ("Coldest point", "None. Coldest point", "a hole"),
        ("as cold.", "as cold", "it ends in the middle"),
        ("Nothing", "Nothing at all " * 20, f"more than {BODY}"),
    ],
)
def test_each_way_of_spoiling_a_body_is_caught(old: str, new: str, why: str) -> None:
    assert old in TEXT
    found = complaints(SUBJECT, TEXT.replace(old, new, 1))
    expected = "the body has" if why.startswith("more than") else why
    assert any(expected in c for c in found), found


@pytest.mark.parametrize(
    "subject", ["", "Magpie: news", "heat: has stopped", f"Magpie: heat has stopped, {'2' * 40} °C"]
)
def test_a_subject_that_says_too_little_or_too_much_is_caught(subject: str) -> None:
    assert complaints(subject, TEXT)


def test_a_second_line_must_be_a_link() -> None:
    assert complaints(SUBJECT, f"{TEXT}\nsee the page")


def test_the_budget_counts_all_but_tests_and_repeats() -> None:
    nine = [SUBJECT] * 9
    assert budget_complaints(nine) != []
    assert budget_complaints(nine, repeats=1) == []
    assert budget_complaints([*nine[:8], "Magpie: test message, please answer"]) == []
    assert budget_complaints(nine[:5], most=4) != []
