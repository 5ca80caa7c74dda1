"""Charts of an assessment: views of finished tables, times in the site's zone, words beside every colour."""

from coldchain_kit.charts.common import banner
from coldchain_kit.charts.physics import cause, causes, cycle, cycles, fitted
from coldchain_kit.charts.views import channels, daily, episode, episodes, flags, month, overview

__all__ = ["banner", "cause", "causes", "channels", "cycle", "cycles", "daily", "episode", "episodes", "fitted", "flags", "month", "overview"]
