"""Register: what people state. The site and its units, a case, stock, logbook, and what they wrote.

Site         a place with its units
UnitEntry    a unit as the register has it
Logger       a unit's logger
LoggerEntry  one of several, with its settings and downloads
ProbeEntry   a probe and its certificates
Certificate  a calibration certificate
Alarm        a logger's alarm settings
Person       somebody of the site
Notify       who is told of what, within how many hours
load_site    read site.toml
find_files   the files that globs name
matching     the same, one glob
Case         an investigation: units, window, inputs
load_case    read case.toml
sites_logbook  the site's own logbook
Lot          a lot and its stays
Stay         a stay of a lot in a unit
Allowance    what a manufacturer stated
stock        stock.csv and allowances.csv
LogEntry     a line of the logbook
logbook      logbook.csv
entries      what people wrote while the case was open; actions
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
