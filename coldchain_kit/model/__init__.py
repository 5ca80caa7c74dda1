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
flag_counts    how many readings have each flag
roll_up        several flags of a reading as one
Condition      a named storage range with its rules and its document
conditions     storage conditions, built in or from a table
plain          any value of the kit as plain JSON
to_text        the one text of results
one_sided      readings that say a side and no number
physics        closed forms on plain numbers
cadence        how often a logger reads: what states it, what it keeps
timeline       steps between readings: interval, gaps, coverage
rows_of        rows out of a table, typed
Direction      above or below
T              an instant: a Timestamp, or text in the results
Role           what a probe stands in
FaultKind      a kind of fault
CauseId        a cause
UFrom          what an uncertainty rests on
Verdict        outside or undecided
Basis          which values are outside
LoggerEvent    what a logger tells, with its instant
Notice         what reading and clock found
ClockState     what is known of a clock
Results        the canonical result
CaseRow        which case, over which span
SourceRow      a download
EventRow       a line that tells of the logger
ProbeRow       a probe over the window
GapRow         a stretch without readings
OutsideTotals  time of a probe beyond one limit
FlagCounts     readings by flag
ConflictRow    a reading at odds with another
FaultRow       something wrong with the record
BelievableRow  is a unit's record believable?
ClockRow       what is known of a unit's clock
CalibrationRow  a certificate, or that there is none
UncertaintyRow  a part of a probe's uncertainty
AlarmGuardRow  an alarm limit with a guard band
AlarmRow       what is to be known of an alarm
CheckRow       a display against the readings
ExcursionRow   a run outside the limits
Trustworthy    the same without impossible readings
NearLimitRow   a run within the uncertainty of a limit
EpisodeRow     excursions that belong together
BesideRow      a unit beside the case
TogetherRow    units that left their range together
RecurrentRow   regular short runs
CauseRow       a candidate cause
EvidenceRow    what speaks for or against it
LeadingCause   the cause of the case
MktRow         a mean kinetic temperature by rule
BandRow        time beyond a temperature
BufferRow      the air behind a buffer
GapEstimateRow  what may have happened in a gap
LotRow         a lot over its whole stay
StayRow        a stay of it
ProductBesideRow  contents beside the probe, an estimate
BesideOutsideRow  those beyond a limit
StayProbeRow   a probe over that stay
ExposureRow    what it received there
AllowanceRow   what a manufacturer stated, and its use
LotBandRow     its time beyond a temperature
LotOutsideRow  its time beyond a limit
FreezingRow    could it have frozen?
EarlierRow     an earlier case of it
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)