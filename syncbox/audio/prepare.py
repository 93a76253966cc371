"""All sounds of a show, ready to be played: decoded, resampled, fitted and measured.

This is done ahead, and what takes time is kept in the show's cache. Everything that
plays a show gets its sounds here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

from syncbox.audio import fit
from syncbox.audio.cache import Cache, key_of
from syncbox.audio.clips import clip_info, files_of, inside, read_clip
from syncbox.audio.find import find_loop, first_strong
from syncbox.audio.loudness import Loudness, matching_gain_db, measure, meter_library
from syncbox.audio.onsets import Sound, find_onsets
from syncbox.audio.words import Speech
from syncbox.errors import SyncboxError
from syncbox.schedule.fitting import LoopTarget, clip_name, fitted_name, loop_targets
from syncbox.schedule.program import Clips
from syncbox.schedule.words import word_clip, words_of
from syncbox.score.layout import Leg, lay_out
from syncbox.score.night import tonight
from syncbox.score.rig import Rig, Show
from syncbox.score.song import AudioKind, FitWay, PlayAudio, Song
from syncbox.units import db_to_gain

LONG_S = 30  # a sound of this length stays in its file; a pad's or a loop's is in memory
TAIL_S = 0.01  # of a fitted loop's beginning after its end, so that it can be faded or cut there
Progress = Callable[[int, int, str], None]  # done, of how many, which file


@dataclass(frozen=True, slots=True)
class Lost:
    """A sound that cannot be played, and why: it costs only itself."""

    file: str
    why: SyncboxError


@dataclass(frozen=True, slots=True)
class _Wish:
    """One sound that is needed."""

    name: str  # among the clips
    file: str
    play: PlayAudio | None = None  # where more is wanted than the file as it is:
    target: LoopTarget | None = None  # a loop is fitted, else it begins at its first hit


@dataclass(slots=True)
class Preparer:
    """Makes the sounds of one show at one rate. `lost` collects what cannot be played."""

    folder: Path
    rig: Rig
    rate: int
    cache: Cache
    strict: bool = True  # raise at the first sound that cannot be played
    progress: Progress | None = None
    lost: list[Lost] = field(default_factory=list)

    def sounds(self, songs: Sequence[Song], legs: Iterable[Sequence[Leg]]) -> Clips:
        """Every sound of songs, and every fitted loop of the legs that are played.

        Raises UnreadableError or ShowError for one that cannot be played, if `strict`.
        """
        if self.rig.loudness_lufs is not None:
            meter_library()  # without it nothing could be matched, and no file is to blame
        wishes = _wishes(songs, legs, self.rate, [pad.file for pad in self.rig.pads])
        matched = matched_files(songs)
        clips = Clips()
        for number, wish in enumerate(wishes):
            if self.progress is not None:
                self.progress(number, len(wishes), wish.file)
            try:
                clips[wish.name] = self._sound(wish)
                if self.rig.loudness_lufs is not None and wish.file in matched:
                    gain_db = self._gain_db(wish, clips[wish.name], matched[wish.file])
                    clips.gains[wish.name] = db_to_gain(gain_db)
            except SyncboxError as error:
                if self.strict:
                    raise
                if wish.file not in {lost.file for lost in self.lost}:
                    self.lost.append(Lost(wish.file, error))
        self._add_words(songs, clips)
        if self.progress is not None:
            self.progress(len(wishes), len(wishes), "")
        self.cache.tidy()
        return clips

    def _add_words(self, songs: Sequence[Song], clips: Clips) -> None:
        """What is said in the songs; a recording that cannot be read is said by other means."""
        speech = Speech(self.folder, self.rate, self.cache)
        for text in words_of(songs, self.rig):
            clips[word_clip(text)] = speech.word(text).sound
        self.lost += (Lost(file, why) for file, why in speech.lost)

    def _gain_db(self, wish: _Wish, sound: Sound, goes_round: bool) -> float:
        """What brings a sound to the rig's loudness, as far as its peaks allow."""
        assert self.rig.loudness_lufs is not None
        key = key_of(self._source(inside(self.folder, wish.file)), wish.name, self.rate)
        found = measured(
            self.cache, key, lambda: sound, self.rate, goes_round=goes_round or bool(wish.target)
        )
        return matching_gain_db(found, self.rig.loudness_lufs, lowest_ceiling_db(self.rig))

    def _sound(self, wish: _Wish) -> Sound:
        path = inside(self.folder, wish.file)
        if wish.play is None:
            return self._plain(path)
        if wish.target is None:
            return self._at_speed(path, wish.play)
        play, target = wish.play, wish.target
        parts = (self._source(path), self.rate, play.fit.value, str(play.start_seconds))
        key = key_of("fitted", fit.VERSION, *parts, play.every_bars, target.key)
        return self.cache.sound(key, lambda: self._fitted(path, play, target))

    def _plain(self, path: Path) -> Sound:
        """A whole file at the rate; kept where resampling takes time, mapped if it is long."""
        info = clip_info(path)
        long = info.frame_count >= LONG_S * info.rate
        if info.rate == self.rate and not long:
            return read_clip(path, self.rate)
        key = key_of("plain", fit.VERSION, self._source(path), self.rate)
        keep = self.cache.mapped if long else self.cache.sound
        return keep(key, lambda: read_clip(path, self.rate))

    def _from_first_hit(self, path: Path) -> Sound:
        key = key_of("first hit", fit.VERSION, self._source(path), self.rate)
        sound = self._plain(path)
        first = int(self.cache.note(key, lambda: first_strong(find_onsets(sound, self.rate))))
        return sound[:, first:]

    def _at_speed(self, path: Path, play: PlayAudio) -> Sound:
        sound = self._from_first_hit(path) if play.start_found else self._plain(path)
        if play.speed == 1:
            return sound
        goes_round = play.kind is AudioKind.LOOP
        parts = (self._source(path), self.rate, play.start_found, str(play.speed), goes_round)
        keep = self.cache.mapped if sound.shape[1] >= LONG_S * self.rate else self.cache.sound
        return keep(
            key_of("at speed", fit.VERSION, *parts),
            lambda: fit.at_speed(sound, self.rate, play.speed, goes_round=goes_round),
        )

    def _fitted(self, path: Path, play: PlayAudio, target: LoopTarget) -> Sound:
        sound = self._plain(path)
        start = round(play.start_seconds * self.rate) if play.start_seconds else None
        found = find_loop(
            sound,
            self.rate,
            play.every_bars,
            Fraction(target.quarters, play.every_bars),
            start_frame=start,
        )
        made = fit.fit_loop(sound, self.rate, found, target, play.fit).sound
        return np.concatenate([made, made[:, : round(TAIL_S * self.rate)]], axis=1)

    def _source(self, path: Path) -> str:
        clip_info(path)  # says what is wrong with a file that is none
        return self.cache.source(path)


def prepare_show(
    show: Show,
    rate: int,
    *,
    lost: list[Lost] | None = None,
    progress: Progress | None = None,
) -> Clips:
    """All sounds of tonight's set. With `lost`, what cannot be played is put there and left out.

    Raises UnreadableError or ShowError without it.
    """
    songs = [tonight(show.songs[entry.song_id], entry) for entry in show.set_list.entries]
    return _preparer(show, rate, lost, progress).sounds(songs, [lay_out(s).legs for s in songs])


def prepare_legs(
    show: Show,
    song: Song,
    legs: Sequence[Leg],
    rate: int,
    *,
    lost: list[Lost] | None = None,
    progress: Progress | None = None,
) -> Clips:
    """The sounds of a song whose legs are played in another order or at another tempo.

    `lost` as in `prepare_show`.
    """
    return _preparer(show, rate, lost, progress).sounds([song], [legs])


def _preparer(
    show: Show, rate: int, lost: list[Lost] | None, progress: Progress | None
) -> Preparer:
    folder = Path(show.folder)
    return Preparer(
        folder,
        show.rig,
        rate,
        Cache.beside(folder),
        strict=lost is None,
        progress=progress,
        lost=[] if lost is None else lost,
    )


def measured(
    cache: Cache, key: str, sound: Callable[[], Sound], rate: int, *, goes_round: bool
) -> Loudness:
    """Loudness and true peak of the sound that a key stands for, kept in the cache."""

    def make() -> list[float | None]:
        found = measure(sound(), rate, goes_round=goes_round)
        return [found.lufs, found.true_peak_db]

    lufs, peak_db = cache.note(key_of("loudness", fit.VERSION, key, goes_round), make)
    return Loudness(lufs, peak_db)


def lowest_ceiling_db(rig: Rig) -> float:
    """What no peak of a matched sound may pass: the lowest ceiling of the mixes."""
    return min((mix.ceiling_db for mix in rig.mixes), default=0.0)


def _wishes(
    songs: Sequence[Song], legs: Iterable[Sequence[Leg]], rate: int, pads: Sequence[str]
) -> list[_Wish]:
    plain = {file for song in songs for file in files_of(song)}.union(pads)
    wishes = {file: _Wish(file, file) for file in sorted(plain)}
    for play in _plays(songs):
        if play.start_found and play.fit is FitWay.OFF:
            name = clip_name(play)
            wishes[name] = _Wish(name, play.file, play)
    for each in legs:
        for play in _at_other_speed(each):
            name = clip_name(play)
            wishes[name] = _Wish(name, play.file, play)
        for (_, _, play), target in loop_targets(each, rate).items():
            name = fitted_name(play, target)
            wishes[name] = _Wish(name, play.file, play, target)
    return list(wishes.values())


def _at_other_speed(legs: Sequence[Leg]) -> Iterator[PlayAudio]:
    for leg in legs:
        for placed in leg.items:
            if isinstance(placed.what, PlayAudio) and placed.what.speed != 1:
                yield placed.what


def matched_files(songs: Sequence[Song]) -> dict[str, bool]:
    """Files that are brought to one loudness, stems and loops, and whether they go round."""
    found: dict[str, bool] = {}
    for play in _plays(songs):
        if play.kind is not AudioKind.ONE_SHOT:
            found[play.file] = found.get(play.file, False) or play.kind is AudioKind.LOOP
    return found


def _plays(songs: Sequence[Song]) -> Iterator[PlayAudio]:
    for song in songs:
        for section in song.sections:
            for body in (section.body, *section.endings):
                for item in body.items:
                    if isinstance(item.what, PlayAudio):
                        yield item.what
