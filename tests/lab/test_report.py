import numpy as np
import pytest

from syncbox.lab.reference import grid_from_map, reference_show
from syncbox.lab.report import Evidence, Setting, judge, report

RATE = 48_000
SHOW = reference_show(20)
GRID = grid_from_map(SHOW.songs["reference"], SHOW.rig, RATE)
KEYS = set(
    """driver device rate block_frames priority seconds clicks clocks click_error_frames
    clock_error_frames lost doubled drift_ppm dropouts verdict clock_against_click_frames
    patch_error_frames machine""".split()  # noqa: SIM905  a list of names to read
)


def setting(driver="jack"):
    return Setting(driver, "a card", RATE, 256, "normal", "a machine", "by a test")


def found(clicks=GRID.clicks, clocks=GRID.clocks, **more):
    driver = more.pop("driver", "jack")
    evidence = Evidence(GRID, clicks=clicks, clocks=(clocks,), patches=GRID.patches, **more)
    return report(setting(driver), evidence)


def spans(*rows):
    return np.array(rows, dtype=np.int64).reshape(-1, 2)


def test_a_perfect_take_is_good():
    perfect = found().as_json()
    assert set(perfect) >= KEYS
    assert perfect["click_error_frames"] == {"p50": 0, "p99": 0, "max": 0}
    assert perfect["clock_against_click_frames"] == {"p50": 0, "p99": 0, "max": 0}
    assert perfect["clicks"] == len(GRID.clicks)
    assert perfect["clocks"] == len(GRID.clocks)
    assert (perfect["lost"], perfect["doubled"], perfect["drift_ppm"]) == (0, 0, 0)
    assert perfect["good"] is True


def test_a_constant_shift_of_the_clock_is_seen():
    late = found(clocks=GRID.clocks + 30)
    assert late.as_json()["clock_error_frames"] == {"p50": 30, "p99": 30, "max": 30}
    assert set(late.clock_against_click.tolist()) == {30}
    assert judge(late)[0] is True  # 0.6 ms


@pytest.mark.parametrize(
    ("late_frames", "good", "words"),
    [(48, True, "Good enough"), (49, False, "Usable"), (288, False, "Usable"), (289, False, "Not")],
)
def test_the_verdict_changes_at_one_and_six_milliseconds(late_frames, good, words):
    clicks = GRID.clicks.copy()
    clicks[5] += late_frames
    verdict = judge(found(clicks=clicks))
    assert verdict[0] is good
    assert verdict[1].startswith(words)


def test_a_lost_clock_is_not_good_enough():
    one_less = found(clocks=np.delete(GRID.clocks, 100))
    assert one_less.lost == 1
    assert judge(one_less)[0] is False


def test_events_beside_a_dropout_are_told_apart():
    clocks = GRID.clocks.copy()
    clocks[100] += 300
    around = spans((GRID.clocks[100] - 10, GRID.clocks[100] + 400))
    spoiled = found(clocks=clocks, dropouts=around, dropout_count=1)
    assert spoiled.clocks[0].spread.max == 0
    assert spoiled.as_json()["at_dropouts_error_frames_max"] == 300
    assert "1 dropouts" in judge(spoiled)[1]


def test_a_complaint_that_moved_something_is_not_forgiven():
    """The audio system complained, nobody lost a frame, and yet a clock came late."""
    clocks = GRID.clocks.copy()
    clocks[100] += 100
    around = spans((GRID.clocks[100] - 10, GRID.clocks[100] + 400))
    assert judge(found(clocks=clocks, dropouts=around, xrun_count=1))[0] is False
    assert judge(found(dropouts=around, xrun_count=1))[0] is True


def test_what_the_capture_missed_is_not_blamed_on_the_engine():
    gap = spans((GRID.clocks[100] - 10, GRID.clocks[110] + 10))
    missed = found(clocks=np.delete(GRID.clocks, slice(100, 111)), spoilt=gap)
    assert missed.lost == 0
    assert missed.spoilt == 1
    worse = found(clocks=np.delete(GRID.clocks, slice(100, 150)), spoilt=gap)
    assert judge(worse)[0] is None
    assert "capture itself" in judge(worse)[1]


def test_what_was_not_captured_is_null():
    silent = report(setting(), Evidence(GRID, clocks=(GRID.clocks,)))
    as_json = silent.as_json()
    assert as_json["clicks"] is None
    assert as_json["click_error_frames"] == {"p50": None, "p99": None, "max": None}
    assert "click was not captured" in as_json["verdict"]
    nothing = report(setting(), Evidence(GRID))
    assert judge(nothing) == (None, "Cannot tell: nothing was captured.")


def test_a_simulated_run_says_nothing_about_the_machine():
    assert judge(found(driver="simulated"))[0] is None


def test_the_text_names_its_sources_and_conditions():
    text = found().as_text()
    for words in ("a card", "48000 Hz", "256 frames", "a machine", "Wessel", "Friberg"):
        assert words in text
    assert max(len(line) for line in text.splitlines()[:12]) <= 100


def test_drift_is_seen():
    drifting = GRID.clicks + np.rint(GRID.clicks * 100e-6).astype(np.int64)
    assert found(clicks=drifting).drift_ppm == pytest.approx(100, abs=3)
