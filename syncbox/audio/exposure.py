"""How loud a mix is at an ear, and for how long that is thought bearable.

A computer knows numbers, not sound pressure. Only a reading of a sound level meter at
the ear, taken for a known test tone, ties the two together; without it nothing here
can be computed. A-weighting: IEC 61672-1, annex E. Doses: NIOSH publication 98-126
(1998), 1.1, and the weekly allowance of WHO-ITU H.870 (2018/2019).

Digital levels are in dB below a full-scale sine (AES17): such a sine is 0 dBFS.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log10

import numpy as np
from numpy.typing import NDArray

from syncbox.score.rig import Calibration

NIOSH_DBA = 85.0  # eight hours a day
NIOSH_FLOOR_DBA, NIOSH_CEILING_DBA = 80.0, 140.0  # what counts, and what must never be
WHO_DBA, WHO_CAREFUL_DBA = 80.0, 75.0  # forty hours a week
WHO_HOURS = 40.0
WINDOW_S = 0.34  # of the analysis: fine enough for the slope of the weighting in the bass
STEP_S = 1.0  # levels are told for each second

Stretch = tuple[float, float]  # seconds, dBA


def a_weighting_db(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """The A-weighting at frequencies above 0 Hz, in dB; 0 dB at 1 kHz."""
    f2 = hz * hz
    shape = 12_194.0**2 * f2 * f2
    shape /= (f2 + 20.6**2) * (f2 + 12_194.0**2)
    shape /= np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2))
    weighting: NDArray[np.float64] = 20 * np.log10(shape) + 2.0
    return weighting


class Meter:
    """A-weighted energy of one listener's sound, block by block, second by second.

    Windows whose squares add up to one overlap by half, so no energy is lost or
    counted twice.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._hop = max(256, 1 << (round(WINDOW_S * rate / 2) - 1).bit_length())
        length = 2 * self._hop
        self._window = np.sin(np.pi * (np.arange(length) + 0.5) / length)
        hz = np.fft.rfftfreq(length, 1 / rate).astype(np.float64)
        weights = np.zeros(len(hz))
        weights[1:] = 10 ** (a_weighting_db(hz[1:]) / 10) * 2 / length
        self._weights = weights
        self._held = np.zeros((channels, self._hop))  # the last half window, silence at first
        self._rest: list[NDArray[np.float64]] = []
        self._rest_frames = 0
        self._energy: list[NDArray[np.float64]] = []  # of each hop, (channels,)
        self.frames = 0

    def add(self, sound: NDArray[np.float32]) -> None:
        """The next frames, shape (channels, n)."""
        self.frames += sound.shape[1]
        self._rest.append(sound.astype(np.float64))
        self._rest_frames += sound.shape[1]
        if self._rest_frames >= self._hop:
            self._take(np.concatenate(self._rest, axis=1))

    def _take(self, waiting: NDArray[np.float64]) -> None:
        first = 0
        while waiting.shape[1] - first >= self._hop:
            new = waiting[:, first : first + self._hop]
            spectrum = np.fft.rfft(np.concatenate([self._held, new], axis=1) * self._window)
            self._energy.append((np.abs(spectrum) ** 2) @ self._weights)
            self._held = new
            first += self._hop
        self._rest = [waiting[:, first:]]
        self._rest_frames = waiting.shape[1] - first

    def levels(self) -> list[tuple[float, float]]:
        """(seconds, A-weighted dBFS) of the louder ear, a second at a time; -inf is silence."""
        if self._rest_frames or self._held.any():
            missing = 2 * self._hop - self._rest_frames
            tail = np.zeros((len(self._held), missing))
            self._take(np.concatenate([*self._rest, tail], axis=1))
        if not self._energy:
            return []
        energy = np.array(self._energy)
        total = energy.sum(axis=0)
        ear = energy[:, int(np.argmax(total))]
        seconds = self.frames / self._rate
        group = max(1, round(STEP_S * self._rate / self._hop))
        parts = [ear[at : at + group].sum() for at in range(0, len(ear), group)]
        length_s = seconds / len(parts)
        # A sine of full scale has half its square as its mean: 0 dBFS is a mean square of 1/2.
        return [(length_s, _db(2 * part / (length_s * self._rate))) for part in parts]


def _db(power: float) -> float:
    return 10 * log10(power) if power > 1e-15 else -inf


def at_ear(
    levels: Sequence[tuple[float, float]], calibration: Calibration, change_db: float = 0.0
) -> list[Stretch]:
    """Levels in dBFS as dBA at the ear that was measured. `change_db`: played so much louder."""
    offset = calibration.reading_dba - calibration.tone_dbfs + change_db
    return [(seconds, level + offset) for seconds, level in levels]


def laeq_dba(stretches: Sequence[Stretch]) -> float:
    """The steady level of the same energy; -inf for silence."""
    total = sum(seconds for seconds, _ in stretches)
    power = sum(seconds * 10 ** (level / 10) for seconds, level in stretches)
    return 10 * log10(power / total) if power > 0 and total > 0 else -inf


def niosh_minutes(level_dba: float) -> float:
    """How long a day a level may last: T = 480 / 2^((L - 85) / 3)."""
    return float(480.0 / 2.0 ** ((level_dba - NIOSH_DBA) / 3.0))


def niosh_dose_percent(stretches: Sequence[Stretch]) -> float:
    """Of a day's allowance: D = 100 x sum(C / T). What lies below 80 dBA does not count."""
    return 100.0 * sum(
        seconds / 60 / niosh_minutes(level)
        for seconds, level in stretches
        if level >= NIOSH_FLOOR_DBA
    )


def niosh_twa_dba(dose_percent: float) -> float:
    """The eight-hour level of a dose: 10 log10(D / 100) + 85."""
    return 10 * log10(dose_percent / 100) + NIOSH_DBA if dose_percent > 0 else -inf


def who_hours(level_dba: float, limit_dba: float = WHO_DBA) -> float:
    """Hours a week at a level: 40 at the limit, half of that for each 3 dB (equal energy)."""
    return float(WHO_HOURS * 10.0 ** ((limit_dba - level_dba) / 10.0))


def who_week_percent(stretches: Sequence[Stretch], limit_dba: float = WHO_DBA) -> float:
    """Of a week's allowance."""
    return 100.0 * sum(
        seconds / 3600 / who_hours(level, limit_dba) for seconds, level in stretches if level > -inf
    )


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a listener gets: seconds, steady level, loudest second, doses in percent."""

    seconds: float
    laeq_dba: float
    loudest_dba: float
    day_percent: float  # NIOSH
    week_percent: float  # WHO, adults
    careful_week_percent: float  # WHO, for sensitive listeners

    @classmethod
    def of(cls, stretches: Sequence[Stretch]) -> Exposure:
        return cls(
            sum(seconds for seconds, _ in stretches),
            laeq_dba(stretches),
            max((level for _, level in stretches), default=-inf),
            niosh_dose_percent(stretches),
            who_week_percent(stretches),
            who_week_percent(stretches, WHO_CAREFUL_DBA),
        )

    def lasting(self, seconds: float) -> Exposure:
        """The same sound over and over for another length of time."""
        ratio = seconds / self.seconds if self.seconds else 0.0
        return Exposure(
            seconds,
            self.laeq_dba,
            self.loudest_dba,
            self.day_percent * ratio,
            self.week_percent * ratio,
            self.careful_week_percent * ratio,
        )
