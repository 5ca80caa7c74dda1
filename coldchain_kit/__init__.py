"""coldchain_kit: from a logger's download to a frozen, checkable record of a temperature excursion."""

__version__ = "0.1.0"
