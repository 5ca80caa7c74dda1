"""Clues: one question each that a trace, a channel or the logbook can answer, with the number and its threshold.

``lean`` runs from -1 (no) over 0 (cannot say) to +1 (yes) and bends smoothly around the threshold, so that no number
decides by a hair's breadth. What the answers mean for each cause stands in :mod:`coldchain_kit.causes`.
"""

from coldchain_kit.causes.clues.clue import THRESHOLDS, Clue, limit
from coldchain_kit.causes.clues.odds import at_odds
from coldchain_kit.causes.clues.traces import of_traces
from coldchain_kit.causes.clues.written import LOG_KINDS, of_channels, of_events, of_logbook

__all__ = ["LOG_KINDS", "THRESHOLDS", "Clue", "at_odds", "limit", "of_channels", "of_events", "of_logbook", "of_traces"]
