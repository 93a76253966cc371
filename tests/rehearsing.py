"""Short songs and imagined takes that several tests read."""

from functools import lru_cache

from syncbox.rehearsal.imagined import Manner, imagined_song, play
from syncbox.rehearsal.imagined_sound import sound_of
from syncbox.rehearsal.onsets import onsets_of
from syncbox.rehearsal.reading import read_take


@lru_cache(maxsize=32)
def taken(kind="plain", sounds="drums", seed=5, **manner):
    """(what was played, its sound, the manner) for a song of about 45 s."""
    song = imagined_song(seed, kind, ("Verse", "Chorus", "Verse", "Bridge"))
    how = Manner(**{"sounds": sounds, "humanise_ms": 8.0, "drift": 0.02, **manner})
    played = play(song, how, seed)
    return played, sound_of(played, how, seed), how


@lru_cache(maxsize=32)
def read(kind="plain", sounds="drums", seed=5, **manner):
    """(what was played, what was read)."""
    played, sound, _ = taken(kind, sounds, seed, **manner)
    return played, read_take(played.chart.song, onsets_of(sound))
