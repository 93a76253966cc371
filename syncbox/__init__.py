"""syncbox: one tempo map for click, MIDI clock, backing and patch changes in sample lock."""

__version__ = "0.1.0"
