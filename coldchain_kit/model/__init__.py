"""Model: the words of the kit. The trace that flows through it, the storage conditions, the rows of the results.

Trace          one probe over one stretch of time: the one type that flows through the kit
Unit           a unit's traces, channels, events and sources
Probe          a sensing point: name, role, whether product verdicts rest on it
Source         a download: file, hash, rows read and refused
Step           one thing done to a trace
GOOD           flag 1
NOT_EVALUATED  flag 2
SUSPECT        flag 3
FAIL           flag 4
MISSING        flag 9
FLAG_WORDS     the words for the flags
roll_up        several flags of a reading as one
Condition      a named storage range with its rules and its document
conditions     storage conditions, built in or from a table
plain          any value of the kit as plain JSON
to_text        the one text of results
one_sided      readings that say a side and no number
physics        closed forms on plain numbers
cadence        how often a logger reads: what states it, what it keeps
timeline       steps between readings: interval, gaps, coverage
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
