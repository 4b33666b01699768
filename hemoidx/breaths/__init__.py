"""Breaths: respiratory cycles from a channel of breathing, else from the beats."""

from .channel import ROLES, BreathSignal
from .reading import Breaths, read
from .series import BeatSeries, beat_series

__all__ = ["ROLES", "BeatSeries", "BreathSignal", "Breaths", "beat_series", "read"]
