"""Levels at the ear against published formulas and worked examples.

NIOSH: Criteria for a Recommended Standard, Occupational Noise Exposure, publication
98-126 (1998), 1.1.1 to 1.1.4. The printed table rounds; the formula counts. WHO: WHO-ITU
Safe listening devices and systems (2019) = ITU-T H.870 (08/2018): 80 dBA for 40 hours a
week, 75 dBA for sensitive users. A-weighting: IEC 61672-1, table of nominal frequencies.
"""

from math import inf

import numpy as np
import pytest

from syncbox.audio.exposure import (
    WHO_CAREFUL_DBA,
    Exposure,
    Meter,
    a_weighting_db,
    at_ear,
    laeq_dba,
    niosh_dose_percent,
    niosh_minutes,
    niosh_twa_dba,
    who_hours,
    who_week_percent,
)
from syncbox.score.rig import Calibration

HOUR = 3600.0


@pytest.mark.parametrize(
    ("level", "seconds"),
    [
        (80, 25 * 3600 + 23 * 60 + 54.30),
        (82, 16 * 3600),
        (85, 8 * 3600),
        (88, 4 * 3600),
        (90, 2 * 3600 + 31 * 60 + 11.43),
        (95, 47 * 60 + 37.32),
        (97, 30 * 60),
        (99, 18 * 60 + 53.93),  # printed as 18 min 59 s
        (100, 15 * 60),
        (103, 7.5 * 60),
        (110, 60 + 29.29),
        (120, 8.86),
        (129, 1.11),
    ],
)
def test_niosh_times(level, seconds):
    assert niosh_minutes(level) * 60 == pytest.approx(seconds, abs=0.006)


@pytest.mark.parametrize(
    ("stretches", "dose", "twa"),
    [
        ([(8 * HOUR, 85)], 100, 85.00),
        ([(HOUR / 4, 100)], 100, 85.00),
        ([(4 * HOUR, 90)], 158.740, 87.007),
        ([(3 * HOUR, 97)], 600, 92.782),
        ([(2 * HOUR, 95), (6 * HOUR, 80)], 275.608, 89.403),
        ([(0.75 * HOUR, 103), (HOUR, 94)], 700, 93.451),
        ([(8 * HOUR, 92)], 503.968, 92.024),
        ([(8 * HOUR, 79.9)], 0, -inf),  # 1.1.4: only what lies from 80 to 140 dBA is counted
    ],
)
def test_niosh_doses(stretches, dose, twa):
    assert niosh_dose_percent(stretches) == pytest.approx(dose, abs=0.001)
    assert niosh_twa_dba(niosh_dose_percent(stretches)) == pytest.approx(twa, abs=0.001)


@pytest.mark.parametrize(
    ("level", "hours"),
    [(80, 40), (83, 20.05), (86, 10.05), (89, 5.04), (90, 4), (95, 1.265), (100, 0.4), (110, 0.04)],
)
def test_who_hours_a_week(level, hours):
    assert who_hours(level) == pytest.approx(hours, rel=0.001)
    assert who_hours(level, WHO_CAREFUL_DBA) == pytest.approx(hours / 3.162, rel=0.001)


def test_who_doses_and_levels_of_equal_energy():
    assert who_week_percent([(2 * HOUR, 95)]) == pytest.approx(158.1, abs=0.05)
    assert who_week_percent([(HOUR / 4, 100)]) == pytest.approx(62.5, abs=0.05)
    # WHO Global standard for safe listening venues and events (2022): 100 dB LAeq,15min.
    assert laeq_dba([(600, 103), (300, 90)]) == pytest.approx(101.35, abs=0.005)
    assert laeq_dba([(450, 103), (450, -inf)]) == pytest.approx(99.99, abs=0.005)
    # 80 dBA for 40 h is 1.6 Pa2h, with 20 uPa as 0 dB.
    pressure_pa = 20e-6 * 10 ** (80 / 20)
    assert 40 * pressure_pa**2 == pytest.approx(1.6)


def centre(nominal):
    """The exact centre of a third of an octave (IEC 61260-1)."""
    return 1000.0 * 10 ** (round(10 * np.log10(nominal / 1000)) / 10)


A_TABLE = {  # from memory
    31.5: -39.4, 63: -26.2, 125: -16.1, 250: -8.6, 500: -3.2, 1000: 0.0,
    2000: 1.2, 4000: 1.0, 8000: -1.1, 16_000: -6.6,
}  # fmt: skip


@pytest.mark.parametrize(("nominal", "level"), A_TABLE.items())
def test_the_weighting_is_that_of_the_standard(nominal, level):
    exact = centre(nominal)
    assert a_weighting_db(np.array([exact]))[0] == pytest.approx(level, abs=0.06)


def sine(hz, peak, seconds=4.0, rate=48_000):
    return (peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)).astype("f4")


def metered(sound, block=777, rate=48_000):
    meter = Meter(rate, sound.shape[0])
    for first in range(0, sound.shape[1], block):
        meter.add(sound[:, first : first + block])
    return meter.levels()


@pytest.mark.parametrize(("nominal", "level"), [row for row in A_TABLE.items() if row[0] > 60])
def test_the_meter_weighs_tones(nominal, level):
    exact = centre(nominal)
    levels = metered(sine(exact, 0.5)[np.newaxis, :])
    # A sine of half the full height is 6.02 dB below a full-scale sine.
    assert laeq_dba(levels) == pytest.approx(level - 6.02, abs=0.15)


def test_the_meter_loses_and_adds_no_energy():
    noise = np.random.default_rng(4).standard_normal((2, 100_003)).astype("f4") * 0.1
    noise[1] *= 0.5
    levels = [metered(noise, block) for block in (64, 999, 200_000)]
    for other in levels[1:]:
        assert np.array(levels[0]) == pytest.approx(np.array(other))
    assert sum(seconds for seconds, _ in levels[0]) == pytest.approx(100_003 / 48_000)
    # The louder ear counts, and white noise loses what the weighting takes from it.
    hz = np.fft.rfftfreq(1 << 16, 1 / 48_000)[1:]
    taken = np.mean(10 ** (a_weighting_db(hz) / 10))
    expected = 10 * np.log10(2 * np.mean(noise[0] ** 2.0) * taken)
    assert laeq_dba(levels[0]) == pytest.approx(expected, abs=0.1)


def test_the_test_tone_reads_what_the_meter_read():
    """1 kHz at -20 dBFS read 78 dBA: the same tone must come out as 78 dBA."""
    tone = np.array([sine(1000, 0.1), np.zeros(4 * 48_000, "f4")])
    calibration = Calibration("drummer", 78.0, -20.0)
    heard = at_ear(metered(tone), calibration)
    assert laeq_dba(heard) == pytest.approx(78.0, abs=0.02)
    assert laeq_dba(at_ear(metered(tone), calibration, -6.0)) == pytest.approx(72.0, abs=0.02)


def test_a_whole_exposure_and_a_longer_one():
    exposure = Exposure.of([(HOUR, 94.0), (HOUR, -inf)])
    assert exposure.seconds == 2 * HOUR
    assert exposure.laeq_dba == pytest.approx(90.99, abs=0.005)
    assert exposure.loudest_dba == 94.0
    assert exposure.day_percent == pytest.approx(100.0)
    longer = exposure.lasting(4 * HOUR)
    assert longer.day_percent == pytest.approx(200.0)
    assert longer.laeq_dba == exposure.laeq_dba
    assert longer.week_percent == pytest.approx(2 * exposure.week_percent)
