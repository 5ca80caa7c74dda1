"""Quality: is the record believable? Flags that delete nothing, faults in words, calibration, alarms.

run                one test on a Series
run_all            every test on a unit's traces
at_odds            flag readings that downloads disagree about
rolled             the flags of a trace as one
impossible         readings that no temperature makes
REQUIRED           tests that must have judged
span_c             the range a probe can show
faults             flags as sentences with their span
in_order           faults in order of time
later              readings later than their download
believable         the answer, with reasons
unit_mixup         values that fit the condition only in the other unit
flat_line          test: held still
still_habit        test: held still longer than this probe is used to
straight_line      test: on one straight line longer than this probe is used to
lone_reading       test: alone, far away and without a tail
gap                test: missing
gross_range        test: outside a range
rate_of_change     test: faster than it can
spike              test: there and back
resolution_c       the step in which values are given
resolution_change  where the step of the values changes
disagreement       everything two probes disagree about
alarms             device alarms replayed and compared
checks             what the display showed beside the readings
decision           a value near a limit: chance, decision rules, alarm limits
calibration_line   a line through calibration points (GUM H.3)
calibration        correction and uncertainty from certificates
uncertainty        the parts of U of each reading
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
