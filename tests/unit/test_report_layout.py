"""Text in columns: widths as terminals count them, and nothing lost but what is cut on purpose."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from gatekeep.report.layout import cell_width, fold, pad_left, pad_right, shorten, wrap_words

letters = st.text(alphabet=st.sampled_from("ab é灯台한ｗ🌊\u0301"), max_size=30)


@pytest.mark.parametrize("text", ["", "plain", "Grüße", "灯台の光", "ｗide", "한글", "e\u0301", "🌊 tide", "→ ≤ …"])
def test_width_is_what_another_implementation_counts(text):
    # Outside check: rich's own width tables.
    assert cell_width(text) == cell_len(text)


@given(letters, st.integers(0, 40))
def test_shortened_text_fits_and_says_that_it_was_cut(text, width):
    short = shorten(text, width)
    assert short == text if cell_width(text) <= width else short.endswith("…")
    assert cell_width(short) <= max(width, 1)


@given(letters, st.integers(1, 20))
def test_folded_lines_fit_and_lose_nothing(text, width):
    lines = fold(text, width)
    assert "".join(lines) == text
    assert all(cell_width(line) <= width or len(line) == 1 for line in lines)


@given(st.lists(st.text(alphabet="ab灯", min_size=1, max_size=12), max_size=12), st.integers(1, 20))
def test_wrapped_lines_keep_every_word_and_fit_unless_one_word_is_longer(words, width):
    lines = wrap_words(words, width)
    assert [word for line in lines for word in line] == words
    assert all(cell_width(" ".join(line)) <= width or len(line) == 1 for line in lines)


def test_padding_counts_cells():
    assert pad_right("灯", 4) + "|" == "灯  |"
    assert pad_left("灯", 4) == "  灯"
    assert pad_left("longer", 4) == "longer"
