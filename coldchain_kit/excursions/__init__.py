"""Excursions: what happened? Runs outside the limits with bounds on start, end and minutes, and episodes of them.

find            every excursion of a trace
near_limit      inside the limit, but within the uncertainty of it
COLUMNS         columns of the table of excursions
episodes        excursions that belong together
bounds          a trace against one limit: at least, on the straight line, at most
minutes_beyond  minutes beyond a temperature, with bounds
longest_beyond  the longest single run
degree_minutes  the area beyond
time_beyond     time beyond any temperature, on a bare Series
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
