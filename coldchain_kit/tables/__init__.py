"""Display tables of an assessment: escaped HTML with captions and units, plain text beside it; and the same as data."""

from coldchain_kit.tables.events import bands, buffer, causes, check_next, episodes, excursions, gap_estimates, logbook, mkt, near_limit, readings, totals
from coldchain_kit.tables.given import attachments, conditions, devices, identification, layouts, logger_events, refused, sources
from coldchain_kit.tables.goods import allowances, exposures, lots, stays
from coldchain_kit.tables.made import CAUTIONS, cautions, csv_tables, fingerprint, made
from coldchain_kit.tables.table import Prose, Table, Tables
from coldchain_kit.tables.trust import alarm_settings, alarms, believable, calibration, checks, clock, conflicts, coverage, faults, flags, gaps, uncertainty

__all__ = [
    "CAUTIONS", "Prose", "Table", "Tables", "alarm_settings", "alarms", "allowances", "attachments", "bands", "believable", "buffer", "calibration", "causes", "cautions", "check_next",
    "checks", "clock", "conditions", "conflicts", "coverage", "csv_tables", "devices", "episodes", "excursions", "exposures", "faults", "fingerprint", "flags",
    "gap_estimates", "gaps", "identification", "layouts", "logbook", "logger_events", "lots", "made", "mkt", "near_limit", "readings", "refused", "sources", "stays", "totals",
    "uncertainty",
]  # fmt: skip
