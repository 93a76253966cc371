from hypothesis import given
from hypothesis import strategies as st

from syncbox.cli.letters import (
    CUT_SIGN,
    GLYPHS,
    big,
    drawable,
    fit,
    height_rows,
    width_columns,
)

texts = st.text(alphabet=st.sampled_from(sorted(GLYPHS)), min_size=1, max_size=12)


def test_a_letter_at_scale_one_is_what_was_drawn():
    assert big("T", 1) == ("▀▀█▀▀", "  █  ", "  ▀  ")


def test_a_letter_at_scale_two_is_twice_as_wide_and_as_high():
    assert big("L", 2) == ("██      ", "██      ", "██      ", "██      ", "████████")


@given(texts, st.integers(1, 6))
def test_every_text_fills_exactly_its_announced_size(text, scale):
    rows = big(text, scale)
    assert len(rows) == height_rows(scale)
    assert {len(row) for row in rows} == {width_columns(text, scale)}


def test_all_figures_have_one_width_so_that_counting_does_not_dance():
    assert {len(GLYPHS[figure][0]) for figure in "0123456789"} == {4}


def test_no_two_glyphs_look_alike_except_the_letter_and_the_figure_o():
    drawn = {sign: rows for sign, rows in GLYPHS.items() if sign not in "0 "}
    assert len(set(drawn.values())) == len(drawn)


def test_accents_are_left_off_and_unknown_writing_is_refused():
    assert drawable("Déjà vu – lá") == "DEJA VU - LA"
    assert drawable("サビ") is None


@given(st.text(max_size=40), st.integers(1, 120), st.integers(1, 4))
def test_fit_never_exceeds_the_width_or_the_scale(text, width, scale_max):
    found = fit(text, width, scale_max)
    if found is not None:
        shown, scale = found
        assert 1 <= scale <= scale_max
        assert width_columns(shown, scale) <= width


def test_a_long_name_is_made_smaller_and_then_cut():
    assert fit("Verse", 80, 2) == ("VERSE", 2)
    assert fit("Instrumental", 80, 2) == ("INSTRUMENTAL", 1)
    text, scale = fit("Instrumental bridge in seven", 80, 2)
    assert (text[-1], scale) == (CUT_SIGN, 1)
    assert "INSTRUMENTAL BRIDGE IN SEVEN".startswith(text[:-1])
