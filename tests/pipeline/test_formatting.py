"""Values beside their limits, printed so that the sentence is true."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright import format_against


@pytest.mark.parametrize(
    ("value", "limit", "form", "text"),
    [
        (4.9, 5, ".2g", "4.9"),
        (4.96, 5, ".2g", "4.96"),
        (4.9996, 5, ".2g", "4.9996"),
        (5, 5, ".2g", "5"),
        (0.59996, 0.6, ".3f", "0.59996"),
        (0.5, 0.6, ".3f", "0.500"),
        (2.004, 2, ".2f", "2.004"),
        (30.2, 30, ".2g", "30.2"),
        (5 - 1e-14, 5, ".2g", "4.99999999999999"),
    ],
)
def test_as_many_digits_as_it_takes_and_no_more(value, limit, form, text):
    assert format_against(value, limit, form) == text


@given(st.floats(1e-6, 1e6), st.sampled_from([0.02, 0.3, 0.6, 1, 2, 5, 30]), st.sampled_from([".2g", ".1f", ".3f"]))
def test_a_printed_value_is_on_the_same_side_as_the_value(value, limit, form):
    text = float(format_against(value, limit, form))
    assert (text < limit, text > limit) == (value < limit, value > limit)
