"""Thermal facts that a trace shows about its unit: time constants, compressor cycle, defrost, levels, lags.

Every function takes plain Series of °C on a UTC index and gives numbers with their confidence. Nothing here judges
a reading, and no time constant found here is ever used to flag one.
"""

from coldchain_kit.thermal.fits import WarmUp, warm_up
from coldchain_kit.thermal.grid import even, minutes_of
from coldchain_kit.thermal.levels import cooling_rate_k_h, daily_pattern, lag, level, level_step, room_dependence
from coldchain_kit.thermal.rhythm import ON_CLOCK_SHARE, Cycle, cycle, defrosts, humps, recurrence

__all__ = [
    "ON_CLOCK_SHARE", "Cycle", "WarmUp", "cooling_rate_k_h", "cycle", "daily_pattern", "defrosts", "even", "humps", "lag", "level", "level_step", "minutes_of", "recurrence",
    "room_dependence", "warm_up",
]  # fmt: skip
