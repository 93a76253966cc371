"""Time code labels against published tables, and against values of another library.

The drop-frame rule is SMPTE ST 12-1's: labels ;00 and ;01 are left out at the start of
every minute except each tenth. Lines marked L agree with the `timecode` library, 1.5.1.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncbox.score.timecode import CodeRate, Label, frames_of, label_of, parsed, shown

DROP, NON_DROP = CodeRate.DROP, CodeRate.NON_DROP
FPS_24, FPS_25, FPS_30 = CodeRate.FPS_24, CodeRate.FPS_25, CodeRate.FPS_30

# label, code frame, real seconds (frame x 1001/30000)
DROP_TABLE = [
    ("00:00:00;29", 29, "0.967633333"),
    ("00:00:01;00", 30, "1.001000000"),
    ("00:00:59;29", 1799, "60.026633333"),  # L
    ("00:01:00;02", 1800, "60.060000000"),  # L
    ("00:02:00;02", 3598, "120.053266667"),  # L
    ("00:09:12;01", 16_543, "551.984766667"),  # L
    ("00:09:59;29", 17_981, "599.966033333"),  # L
    ("00:10:00;00", 17_982, "599.999400000"),  # L
    ("00:10:00;01", 17_983, "600.032766667"),  # L
    ("00:11:00;02", 19_782, "660.059400000"),
    ("00:59:59;29", 107_891, "3599.963033333"),  # L
    ("01:00:00;00", 107_892, "3599.996400000"),  # L
    ("01:23:45;12", 150_612, "5025.420400000"),  # L
    ("01:50:55;29", 199_481, "6656.016033333"),  # L
    ("10:00:00;00", 1_078_920, "35999.964000000"),
    ("23:59:59;29", 2_589_407, "86399.880233333"),  # L
]
COUNTED = [  # all L
    (NON_DROP, "00:00:49:29", 1499),
    (NON_DROP, "00:33:18:28", 59_968),
    (NON_DROP, "01:56:46:13", 210_193),
    (FPS_25, "00:01:36:13", 2413),
    (FPS_25, "00:17:51:23", 26_798),
    (FPS_25, "01:34:37:03", 141_928),
    (FPS_25, "23:59:59:24", 2_159_999),
    (FPS_24, "00:00:01:01", 25),
    (FPS_30, "10:00:00:00", 1_080_000),
]


@pytest.mark.parametrize(("label", "frame", "seconds"), DROP_TABLE)
def test_drop_labels_are_those_of_the_table(label, frame, seconds):
    assert shown(label_of(frame, DROP), DROP) == label
    assert frames_of(parsed(label), DROP) == frame
    assert f"{float(frame / DROP.per_second):.9f}" == seconds


@pytest.mark.parametrize(("rate", "label", "frame"), COUNTED)
def test_other_labels_are_counted_on(rate, label, frame):
    assert frames_of(parsed(label), rate) == frame
    assert shown(label_of(frame, rate), rate) == label


def test_every_drop_label_of_a_day_comes_back():
    for frame in range(0, DROP.frames_a_day, 7):
        assert frames_of(label_of(frame, DROP), DROP) == frame
    labels = [label_of(frame, DROP) for frame in range(20_000)]
    assert labels == sorted(set(labels))


@given(st.sampled_from(CodeRate), st.integers(-(10**9), 10**9))
def test_any_frame_has_one_label(rate, frame):
    assert frames_of(label_of(frame, rate), rate) == frame % rate.frames_a_day


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "13:59:00;01"])
def test_labels_that_drop_code_leaves_out_are_refused(label):
    with pytest.raises(ValueError, match="no frames 00 and 01"):
        frames_of(parsed(label), DROP)


@pytest.mark.parametrize(
    ("rate", "label"),
    [
        (FPS_24, (0, 0, 0, 24)),
        (FPS_25, (0, 0, 0, 25)),
        (FPS_30, (24, 0, 0, 0)),
        (DROP, (0, 60, 0, 0)),
    ],
)
def test_numbers_that_a_label_cannot_have_are_refused(rate, label):
    with pytest.raises(ValueError, match="go"):
        frames_of(Label(*label), rate)


def test_a_day_and_an_hour_are_as_long_as_they_are():
    # Drop code is 86.4 ms behind the wall clock after a day; non-drop 3.6 s after an hour.
    assert DROP.frames_a_day == 2_589_408
    assert 86_400 - DROP.frames_a_day / DROP.per_second == Fraction(864, 10_000)
    assert frames_of(Label(1, 0, 0, 0), NON_DROP) / NON_DROP.per_second == Fraction(36_036, 10)
    for rate, day in ((FPS_24, 2_073_600), (FPS_25, 2_160_000), (FPS_30, 2_592_000)):
        assert rate.frames_a_day == day
