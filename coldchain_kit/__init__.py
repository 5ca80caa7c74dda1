"""coldchain_kit: from a logger's download to a frozen, checkable record of a temperature excursion.

Zones come from the installed tzdata package alone, not from the system: the version that a record names is the one
that was used, and the same record comes out alike on every machine.
"""

import zoneinfo

__version__ = "0.1.0"

zoneinfo.reset_tzpath(to=())
zoneinfo.ZoneInfo.clear_cache()
