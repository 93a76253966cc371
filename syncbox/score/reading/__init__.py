"""Reading a show: YAML text in, records and problems out."""

from syncbox.score.reading.show import Draft, read_draft, read_show
from syncbox.score.reading.song import read_song

__all__ = ["Draft", "read_draft", "read_show", "read_song"]
