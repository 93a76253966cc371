"""From the show and the engine's numbers to what the stage screen says. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from syncbox.cli.keys import Key
from syncbox.cli.leads import count_words, leader_health, waits_for_leader
from syncbox.cli.screen import Health, KeyHint, View
from syncbox.engine.transport import State
from syncbox.score.layout import Leg, LegKind, Route, Until, lay_out
from syncbox.score.meter import Meter
from syncbox.score.night import tonight
from syncbox.score.rig import SetEntry, Show, Then
from syncbox.score.song import PatchChange, Song

if TYPE_CHECKING:
    from syncbox.drivers.status import Status
    from syncbox.engine.state import Now
    from syncbox.schedule.program import CompiledSong

# Most important first: a narrow screen leaves out the last ones.
KEY_HINTS = (
    KeyHint(Key.SPACE.value, "start / cue"),
    KeyHint(Key.ESCAPE.value, "panic"),
    KeyHint(Key.ENTER.value, "stop at bar end"),
    KeyHint(Key.BACKSPACE.value, "stop now"),
    KeyHint(f"{Key.LEFT.value} {Key.RIGHT.value}", "song"),
    KeyHint(f"{Key.UP.value} {Key.DOWN.value}", "level"),
    KeyHint(Key.QUIT.value, "leave"),
)


STILL = (State.STOPPED, State.WAITING)  # nothing plays and start begins it


@dataclass(frozen=True, slots=True)
class Coming:
    """What is played after the present pass, and the patches that come with it."""

    label: str
    name: str
    patches: tuple[str, ...]


class Sheet:
    """One song of tonight's set with what the screen needs of it."""

    def __init__(self, entry: SetEntry, song: Song, route: Route | None = None) -> None:
        """`route` is what is played of the song, if it is not the whole of it."""
        self.entry = entry
        self.song = tonight(song, entry)
        self._route = route

    @cached_property
    def route(self) -> Route:
        return self._route or lay_out(self.song)

    def leg(self, index: int) -> Leg:
        """The leg of a number that the engine gave; the last one past the end."""
        return self.route.legs[min(max(index, 0), len(self.route.legs) - 1)]

    def meter(self, leg: Leg, section_bar: int) -> Meter:
        """The meter of a bar; a hold has no bars, so there it is that of the bar before."""
        for earlier in reversed(self.route.legs[: leg.index + 1]):
            for bar in reversed(earlier.bars):
                if earlier is not leg or bar.section_bar <= section_bar:
                    return bar.meter
        return self.song.meter

    def after(self, leg: Leg) -> Leg | None:
        """The first leg of the next pass that is music; None at the song's end."""
        for later in self.route.legs[leg.index + 1 :]:
            if later.kind is LegKind.SECTION and (
                (later.section_index, later.pass_no) != (leg.section_index, leg.pass_no)
            ):
                return later
        return None


class Stage:
    """Turns statuses of one show into views. `songs` are the set as compiled from the same show."""

    def __init__(
        self,
        show: Show,
        songs: Sequence[CompiledSong],
        route: Route | None = None,
        sources: Sequence[str] = (),
    ) -> None:
        """`route` is what is played of a set of one song, if it is not the whole of it.

        `sources` name the faders, as in the compiled set.
        """
        self._mixes = [mix.name for mix in show.rig.mixes]
        self._sources = sources
        self._sheets = [
            Sheet(entry, show.songs[entry.song_id], route) for entry in show.set_list.entries
        ]
        self._songs = songs

    def leg(self, now: Now) -> Leg:
        """The leg that is being played, or that a start would begin with."""
        sheet = self._sheets[now.song_index]
        leg = sheet.leg(now.leg_index)
        if now.transport in STILL or (
            # Start was pressed a moment ago, and the numbers are still of what was before.
            now.transport == State.COUNTING_IN and leg.kind is LegKind.SECTION
        ):
            return sheet.leg(self._songs[now.song_index].entry.leg_index)
        return leg

    def names(self, now: Now) -> tuple[str, str, str]:
        """Song, section with mark and pass, and meter of what is being played."""
        sheet, leg = self._sheets[now.song_index], self.leg(now)
        part = "   ".join(filter(None, (leg.section, detail(sheet.song, leg, 0))))
        return sheet.song.title, part, str(sheet.meter(leg, max(1, now.bar)))

    def counts_in(self, now: Now) -> bool:
        """Whether clicks lead into the song where it is entered."""
        song = self._songs[now.song_index]
        first = song.legs[song.entry.leg_index].kind
        return first is LegKind.COUNT_IN or song.entry.count_in is not None

    def starts_by_itself(self, now: Now) -> bool:
        """Whether the song that waits will begin after its gap without a key."""
        if now.transport != State.WAITING or now.song_index == 0:
            return False
        return self._sheets[now.song_index - 1].entry.then is Then.GAP

    def view(self, status: Status, notice: str = "", *, dropout_now: bool = False) -> View:
        """What the screen shows at this moment. `status.now` must be there."""
        now: Now = status.now
        sheet = self._sheets[now.song_index]
        leg = self.leg(now)
        coming = self._coming(now.song_index, leg)
        waits = waits_for_cue(now, leg)
        sounds = now.bars > 0 and now.transport not in STILL
        beat = now if sounds else _before_the_first_beat(sheet, leg)
        texts = self._songs[now.song_index].texts
        text = texts[now.text] if sounds and 0 <= now.text < len(texts) else ""
        return View(
            song=sheet.song.title,
            song_no=now.song_index + 1,
            song_count=len(self._sheets),
            state=waits_for_leader(now)
            or stop_words(now)
            or state_words(now, leg, by_itself=self.starts_by_itself(now)),
            section=leg.section,
            bar=beat.bar,
            bars=beat.bars,
            beat=beat.beat,
            beats=beat.beats,
            bars_to_go=None if waits else beat.bars_to_go,
            tempo=tempo_text(beat.tempo_mqpm),
            map_mqpm=beat.tempo_mqpm,
            audio=audio_health(status, dropout_now=dropout_now),
            level=f"{now.level_mdb / 1000:+.0f} dB",
            by_hand=by_hand(now, self._mixes, self._sources),
            meter=str(sheet.meter(leg, beat.bar)),
            key=sheet.song.key,
            detail=detail(sheet.song, leg, now.round_no),
            text_cue=text,
            next_label=coming.label,
            next_section=coming.name,
            next_patches=coming.patches,
            waits=waits or now.transport in STILL,
            ports=(*leader_health(now), *port_health(status)),
            notice=notice or count_words(now),
            keys=KEY_HINTS,
        )

    def _coming(self, song_index: int, leg: Leg) -> Coming:
        later = self._sheets[song_index].after(leg)
        if later is not None:
            again = f" ({later.pass_no})" if later.pass_no > 1 else ""
            return Coming("NEXT", f"{later.section}{again}", patches_of(later))
        if song_index + 1 >= len(self._sheets):
            return Coming("NEXT", "", ())
        sheet = self._sheets[song_index + 1]
        first = next(leg for leg in sheet.route.legs if leg.kind is LegKind.SECTION)
        label = "SEGUE" if self._sheets[song_index].entry.then is Then.SEGUE else "NEXT SONG"
        return Coming(label, sheet.song.title, patches_of(first))


class Beat(NamedTuple):
    """Where the music is, in the words of the engine's `Now`."""

    bar: int
    bars: int
    beat: int
    beats: int
    bars_to_go: int
    tempo_mqpm: int


def _before_the_first_beat(sheet: Sheet, leg: Leg) -> Beat:
    """What will sound first, for the moment before anything has."""
    meter = sheet.meter(leg, 1)
    bars = leg.section_bars
    return Beat(1, bars, 1, meter.beat_count, bars, round(leg.tempo_map.tempo_at(0) * 1000))


def waits_for_cue(now: Now, leg: Leg) -> bool:
    """Whether the music goes on only after a cue that nobody has given yet."""
    playing = now.transport in (State.ROLLING, State.VAMPING, State.HOLDING)
    return playing and leg.until is Until.CUE and not now.cue_pending


def stop_words(now: Now) -> str:
    """At which bar line it stops, if that was asked for."""
    which = {0: "", 1: "this"}.get(now.stop_bars, "the next")
    return f"stops after {which} bar" if which else ""


def state_words(now: Now, leg: Leg, *, by_itself: bool) -> str:
    """What the transport does, and what it waits for, in a musician's words."""
    match State(now.transport):
        case State.STOPPED:
            return "stopped: Space starts"
        case State.COUNTING_IN:
            return "count-in"
        case State.ROLLING:
            return "playing"
        case State.VAMPING:
            when = "the next" if now.cue_late else "this"  # a press that came too late is said so
            return f"vamp: out after {when} round" if now.cue_pending else "vamp: Space goes on"
        case State.HOLDING:
            waits = leg.until is Until.CUE and not now.cue_pending
            return "hold: Space goes on" if waits else "hold"
        case State.WAITING:
            return "next song comes" if by_itself else "next song: Space starts"


def detail(song: Song, leg: Leg, round_no: int) -> str:
    """Rehearsal mark, pass, and which round of a vamp if that is known (from 1)."""
    mark = song.sections[leg.section_index].mark if leg.section_index >= 0 else ""
    passes = f"pass {leg.pass_no} of {leg.passes}" if leg.passes > 1 else ""
    vamp = round_no and leg.until is Until.CUE and leg.kind is LegKind.SECTION
    return "   ".join(filter(None, (mark, passes, f"round {round_no}" if vamp else "")))


def patches_of(leg: Leg) -> tuple[str, ...]:
    """The patches that a leg opens with."""
    return tuple(
        f"{placed.what.instrument} {placed.what.patch}"
        for placed in leg.items
        if isinstance(placed.what, PatchChange) and placed.tick == 0
    )


def tempo_text(tempo_mqpm: int) -> str:
    """Quarters a minute with as few decimals as it needs, three at most."""
    return f"{tempo_mqpm / 1000:.3f}".rstrip("0").rstrip(".")


def by_hand(now: Now, mixes: Sequence[str], sources: Sequence[str]) -> str:
    """What has been switched by hand and is easily forgotten, in a few words."""
    words = []
    if now.click_muted:
        words.append("click off")
    words += [f"{name} muted" for n, name in enumerate(mixes) if now.mixes_muted >> n & 1]
    if 0 <= now.solo_source < len(sources):
        words.append(f"only {sources[now.solo_source]}")
    if now.trim_permille or now.trim_bars:
        since = {0: "", 1: " from the next bar"}.get(now.trim_bars, " from a later bar")
        words.append(f"tempo {now.trim_permille / 10:+g} %{since}")
    return "   ".join(words)


def audio_health(status: Status, *, dropout_now: bool) -> Health:
    """The driver and whether sound was lost; a dropout of long ago is counted, not alarmed."""
    if not (status.engine_alive or status.rescuing):
        return Health("audio", "the engine has stopped: leave with Q and start again", well=False)
    if status.trouble:
        return Health("audio", status.trouble, well=False)
    plural = "" if status.dropouts == 1 else "s"
    words = (
        f"{status.driver} {status.rate} Hz, {status.block_frames} frames, "
        f"{status.dropouts or 'no'} dropout{plural}"
    )
    if status.midi_refused:
        return Health("audio", f"{words}, {status.midi_refused} MIDI events lost", well=False)
    return Health("audio", words, well=not dropout_now)


def port_health(status: Status) -> tuple[Health, ...]:
    """Each MIDI port of the rig in a word."""
    return tuple(
        Health(
            port.name,
            "missing" if port.missing else "recorded" if port.recorded_only else "ok",
            well=not port.missing,
        )
        for port in status.ports
    )
