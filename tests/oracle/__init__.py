"""An independent reckoning of what ``coldchain assess`` must print, from CONTRACTS "How the numbers are made",
edition 2.

Nothing here imports the kit. The text of a download is not parsed: the caller (tests/random_sites.py) hands over
the data lines as it wrote them. Times are seconds since 1970 UTC (floats), minutes are minutes, temperatures
degC.

A case is a dict of unit -> ``Scenario``; ``assess(case)`` returns the rows that tests/compared.py compares.
Where the words of the contract leave room, the code says "reading:". The readings that the comparison allows for:

Interval (rule 4)
    "regular" is 12 steps in a row within a tenth of the first of them, for coarser stretches and for stated
    steps alike. 12 steps and more of which none is kept give null as well. A step whose stretch is stated at
    that time is complete, also where the download keeps a finer step while another word stands; a word that
    the download contradicts, because it keeps a finer step while the word stands, completes nothing. An uneven logger has an interval
    by the same rule, but the kit may count its long steps as missing or not: coverage is compared as a range,
    missing readings not at all. Of a coarser stretch that nothing states the whole step is unknown;
    ``covered_share`` may lose the step less one interval, or all of it. Where no interval is known nothing says
    how many readings are missing. An allowance may count a coarse step inside its band as used (time without
    readings) or not.
Uncertainty (rule 6)
    ``u_c`` is the largest of the window; any value between the smallest and the largest is accepted. "Away from
    the points" is beyond the last one, or also between two (``Choices.between_points``); their spacing is that
    of the indicated values, or of the references (``Choices.reference_spacing``); beyond them it is the spacing
    of the last two. A seen display step is what all differences of the numbers are multiples of, in 12 readings
    and 4 different numbers and more. A certificate without any point adds nothing. The rate of drift is the
    largest change of a correction at a common reference over the two dates. Where two certificates drift, or
    fewer than 8 different numbers show a step, the kit's ``u_c`` may lie between no drift and no step on one
    side, twice the drift and any step on the other; where it differs, what rests on U is not compared.
One-sided readings (rule 9)
    A bound is as read, no certificate corrects it (an extreme may differ by the correction). ``max_c`` in a
    window with a reading that has no number is null, or the largest number. A bound inside the limits ends the
    course like a gap, but ``gaps[]`` need not list it, and it may or may not be counted among ``readings`` and
    as missing. Degree-minutes and extreme of a run that holds a bound are bounds.
Window (rule 10)
    A case is refused where no unit has a reading of a deciding probe; where only some have none, refusing is
    accepted.
Cause (rule 11)
    "Known" is ``covered_share``, or the window less ``unknown_minutes``: ``undetermined`` is demanded where both
    fall under 95 % for some deciding probe, and accepted where one does. Faults of the kinds one_sided,
    interval, resolution alone may give probe_fault, record_error or undetermined.
Lots (rule 14)
    The sound pace is not the oracle's to know: a reason is demanded by the pace of the calmer three quarters of
    changes, and accepted by the largest change. One per cent counts by readings or by minutes, demanded from 1.1
    %, accepted from 0.9 %. "Said not to decide" is ``decides = false``; a probe that stands aside because
    another decides is accepted. A stay that ends in the window without a later one asks for a decision or not.
    Hours of a lot that also stood outside the case are not compared. "Interval that nothing states" is the fault
    of that name, demanded; a record whose interval nothing states at all may ask for a decision as well.
Display
    "The last check with reset" lies before the check that shows the figure; outside readings of a deciding probe
    on that side between the two explain it, in which case none is listed. Without a reset the start is the first
    reading or a stay's beginning. What it adds to used hours is accepted up to its whole length.
Interleaved downloads (rule 12)
    Which of two clocks is kept is open: times are compared within half an interval (tests/oracle/overlaps.py).
"""

from __future__ import annotations

from tests.oracle.clock import file_times, fixed_offset_s, shown_to_utc, utc_s
from tests.oracle.course import excursions, side
from tests.oracle.intervals import Steps, finest_kept, in_force
from tests.oracle.lots import pace_c, peak, used_hours
from tests.oracle.model import (
    Allowance,
    Cell,
    Certificate,
    Check,
    Choices,
    Condition,
    File,
    Line,
    Logger,
    Probe,
    Refused,
    Scenario,
    Stated,
    Stay,
    celsius,
)
from tests.oracle.probes import deciding, mkt_c, weights_min
from tests.oracle.readings import Series, is_gap, series
from tests.oracle.whole import assess, episodes, key

__all__ = [
    "Allowance",
    "Cell",
    "Certificate",
    "Check",
    "Choices",
    "Condition",
    "File",
    "Line",
    "Logger",
    "Probe",
    "Refused",
    "Scenario",
    "Series",
    "Stated",
    "Stay",
    "Steps",
    "assess",
    "celsius",
    "deciding",
    "episodes",
    "excursions",
    "file_times",
    "finest_kept",
    "fixed_offset_s",
    "in_force",
    "is_gap",
    "key",
    "mkt_c",
    "pace_c",
    "peak",
    "series",
    "shown_to_utc",
    "side",
    "used_hours",
    "utc_s",
    "weights_min",
]
