"""coldchain_kit: from a logger's download to a frozen, checkable record of a temperature excursion.

read                      a download as it stands in the file: probes, times, layout, refused rows
assess                    everything the kit has to say about a case
month                     everything about one unit over a calendar month
freeze                    run a case's notebook and freeze its record
verify                    what differs from what was frozen, in words
sample_site               a copy of the sample site to try all this on
KitError                  something you gave the kit is at fault: what, where, how to mend it
Trace                     one probe over one stretch of time: the type that flows through the kit
gaps                      stretches of a Series without readings
coverage                  share of a window that readings cover
minutes_beyond            minutes beyond a temperature, with bounds
degree_minutes            area beyond a temperature
mean_kinetic_temperature  of a Series

The last five take any Series of °C on an increasing UTC index, and refuse others. Rooms (``coldchain_kit.quality`` and so on) have faces of their own.
"""

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
