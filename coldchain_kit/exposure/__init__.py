"""Exposure: how bad was it? Means, mean kinetic temperature and its windows, bands, freezing, what no reading shows.

mean_c          mean weighed by time
mkt_c           mean kinetic temperature
rolling_mkt     of every window
highest_window  the worst window
mkt_rows        a rule's own windows
mkt_refusal     why an MKT is refused
Extremes        lowest and highest of a stretch, with what a one-sided reading leaves open
extremes        of a trace's readings
bands           time beyond each temperature of the condition
freezing        could it have frozen?
estimates       air behind a buffer, the course inside a gap: estimates
product         what contents of another time constant may have met: an estimate
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
