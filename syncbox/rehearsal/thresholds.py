"""What listeners and players notice: the literature's figures, and the words that hang on them."""

from __future__ import annotations

HEARD_MS = 6.0
HEARD_SHARE = 0.025
HEARD_SOURCE = (
    "One displaced tone is heard from 6 ms (beats under 240 ms apart) or 2.5 % of the beat: "
    "A. Friberg and J. Sundberg, Time discrimination in a monotonic, isochronous sequence, "
    "J. Acoust. Soc. Am. 98(5), 1995, 2524-2531."
)
TIGHT_MS = 30.0
LOOSE_MS = 50.0
TIGHT_SOURCE = (
    "Players of professional trios and quartets scatter by 30 to 50 ms round each other: "
    "R. A. Rasch, Synchronization in performed ensemble music, Acustica 43, 1979, 121-131 "
    "(numbers from memory)."
)
TEMPO_SHARE = 0.03
TEMPO_SOURCE = (
    "A change of tempo is noticed from about 3 % over six beats, by some from 1.5 %: "
    "C. Drake and M.-C. Botte, Tempo sensitivity in auditory sequences, "
    "Perception & Psychophysics 54, 1993."
)
SCATTER_WORDS = (
    f"Scatter of beats: under {HEARD_MS:.0f} ms, or {100 * HEARD_SHARE:.1f} % of the beat, it "
    f"cannot be heard; up to {TIGHT_MS:.0f} ms it is tight, over {LOOSE_MS:.0f} ms loose."
)
SOURCES = (HEARD_SOURCE, TIGHT_SOURCE, TEMPO_SOURCE)


def heard_from_ms(beat_ms: float) -> float:
    """The smallest displacement of one beat that listeners hear; `beat_ms` between beats."""
    return HEARD_MS if beat_ms < 240 else max(HEARD_MS, HEARD_SHARE * beat_ms)


def scatter_word(scatter_ms: float, beat_ms: float) -> str:
    """What to call a spread (one standard deviation) of beats round the band's own course."""
    if scatter_ms < heard_from_ms(beat_ms):
        return "cannot be heard"
    if scatter_ms <= TIGHT_MS:
        return "tight"
    return "in between" if scatter_ms <= LOOSE_MS else "loose"


def tempo_word(share: float) -> str:
    """What to call a tempo against the map: 0.03 is 3 % faster."""
    if abs(share) < TEMPO_SHARE / 2:
        return "cannot be heard"
    size = "just to be heard" if abs(share) < TEMPO_SHARE else "clearly to be heard"
    return f"{'faster' if share > 0 else 'slower'}, {size}"
