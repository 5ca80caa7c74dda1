"""Thermal: what a trace shows about its unit. Time constants, compressor cycle, defrost, levels, lags, paces.

WarmUp            an exponential course fitted to a stretch
warm_up           fit one
even              values on an even grid
minutes_of        minutes since the first reading
cooling_rate_k_h  how fast it cools
daily_pattern     the level by the hour
lag               how far one probe runs behind another
level             the usual level
level_step        a change of level
room_dependence   level against room
Cycle             a compressor cycle
cycle             find one
defrosts          regular warm humps
humps             warm humps
recurrence        what comes back by the clock
ON_CLOCK_SHARE    share of humps on the clock that makes a defrost
paces             numbers of a Series turned so that an episode points upwards
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
