"""Causes: why? Candidate causes weighed on evidence, in words.

weigh         candidate causes of an episode, ranked
case          the cause of a case
Out            what one excursion of a unit tells of leaving its range
together      units that left their range together
of_display    where only a display was outside
KNOWN_SHARE   of the window, below which nothing found is not "none"
fit_course    the course a cause predicts
part          the part of an episode that is fitted
AT_ODDS       how the comment of a line begins that the readings forbid
CEILING       support that shape alone cannot pass
DECLARED      the causes with what physics predicts
ORDER         their order
UNDETERMINED  the cause that is none of them
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
