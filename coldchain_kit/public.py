"""The kit in a dozen calls: what a notebook, or a program of one's own, begins with.

Leaf functions take any Series of °C on a UTC-aware, strictly increasing index; another is refused.
"""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd

from coldchain_kit import assessment, downloads, excursions, exposure
from coldchain_kit.assessment import Assessment, monthly
from coldchain_kit.base import KitError, package_files
from coldchain_kit.downloads import Download
from coldchain_kit.model import Trace, physics, timeline
from coldchain_kit.register import Case, Site

__all__ = [
    "KitError",
    "Trace",
    "assess",
    "coverage",
    "degree_minutes",
    "freeze",
    "gaps",
    "mean_kinetic_temperature",
    "minutes_beyond",
    "month",
    "read",
    "sample_site",
    "verify",
]


def sample_site(folder: str | Path) -> Path:
    """A copy of the sample site, Tern Bay Health Centre (invented), under ``folder``; one that is there is used as it is.

    Returns
    -------
    Path of the site's folder, with site.toml, downloads and one case.

    Raises
    ------
    KitError
        ``folder`` holds something else of that name.

    Examples
    --------
    >>> import tempfile
    >>> site = sample_site(tempfile.mkdtemp())
    >>> sorted(path.name for path in site.iterdir())
    ['cases', 'downloads', 'site.toml', 'truth.json']
    """
    return package_files.copy_sample_site(Path(folder))


def read(path: str | Path) -> list[Download]:
    """What stands in a logger's download, whatever its layout: text, .gz, .zip, .xlsx or .ods.

    Returns
    -------
    list of Download: ``time`` as the clock showed it, ``columns`` with °C, ``source`` with the rows read and refused. One,
    or one for each text member or sheet with readings.

    Raises
    ------
    LayoutError
        No readings, or dates that stay ambiguous: both readings of them are shown.

    Examples
    --------
    >>> import tempfile
    >>> (download,) = read(sample_site(tempfile.mkdtemp()) / "downloads/F2/F2_2026-02.csv")
    >>> [column.label for column in download.columns if column.kind == "temperature"], download.source.rejected
    (['Upper shelf', 'Return air'], 0)
    """
    return downloads.read(path)


def assess(case: str | Path | Case) -> Assessment:
    """Everything the kit has to say about a case: ``units`` (traces), ``results`` (the canonical result), and the papers as read.

    Parameters
    ----------
    case : path of case.toml, or a Case

    Raises
    ------
    KitError
        Input at fault: what, which file and line, how to mend it.

    Examples
    --------
    >>> import tempfile
    >>> found = assess(sample_site(tempfile.mkdtemp()) / "cases/2026-014/case.toml")
    >>> [(row["unit"], row["direction"], row["verdict"]) for row in found.results["excursions"]], found.results["cause"]["cause"]
    ([('F2', 'above', 'outside')], 'power_loss')
    """
    return assessment.assess(case)


def month(site: str | Path | Site, *, unit: str, month: str, final: bool = False) -> Assessment:
    """Everything about one unit over one calendar month of the site's local time.

    Parameters
    ----------
    site : path of site.toml, or a Site
    unit : str
        Its name in the register.
    month : str
        YYYY-MM.
    final : bool
        No download is waited for any more: a month without any reading is unknown, and said to be.

    Raises
    ------
    KitError
        Unknown unit, no readings named, no reading in the month, a month that is none.

    Examples
    --------
    >>> import tempfile
    >>> found = month(sample_site(tempfile.mkdtemp()) / "site.toml", unit="F1", month="2026-02")
    >>> round(found.results["probes"][0]["covered_share"], 3)
    1.0
    """
    return monthly.assess(site, unit=unit, month=month, final=final)


def freeze(case: str | Path, out: str | Path, *, reason: str | None = None) -> Path:
    """Run the investigation notebook without a person and freeze the record of a case under ``out`` (some seconds).

    Parameters
    ----------
    reason : str, optional
        Compulsory where the case was frozen before: the record becomes the next revision.

    Returns
    -------
    Path of the record: a folder that nobody can change unseen (:func:`verify`).

    Raises
    ------
    KitError
        Input at fault, or a run that did not come to a whole end; nothing half-written is left.

    Examples
    --------
    >>> import tempfile
    >>> record = freeze(sample_site(tempfile.mkdtemp()) / "cases/2026-014/case.toml", tempfile.mkdtemp())
    >>> record.name, verify(record)
    ('2026-014-r1', [])
    """
    from coldchain_kit import records

    return records.investigate(case, out, reason=reason)


def verify(record: str | Path) -> list[str]:
    """What differs from what was frozen, a sentence each; an empty list where the record is whole.

    Raises
    ------
    RecordError
        There is no record.

    Examples
    --------
    >>> import tempfile
    >>> verify(tempfile.mkdtemp())  # doctest: +IGNORE_EXCEPTION_DETAIL
    Traceback (most recent call last):
    coldchain_kit.records.verification.NoRecord: tmp: there is no record
    """
    from coldchain_kit.records import verification

    return verification.record(record)


def gaps(celsius: pd.Series, *, start: pd.Timestamp | None = None, end: pd.Timestamp | None = None) -> pd.DataFrame:
    """Stretches without readings: steps over 2.5 intervals and 5 min (CONTRACTS rule 4), and silent edges of a window.

    Parameters
    ----------
    start, end : Timestamp, optional
        Window, half-open [UTC]; the first and the last reading where not given.

    Returns
    -------
    DataFrame: start, end (UTC), minutes [min], edge ("", "start" or "end").

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=24, freq="5min", tz="UTC")
    >>> gaps(pd.Series(4.0, index=times).drop(times[10:16]))["minutes"].tolist()
    [35.0]
    """
    first, last = _window(celsius, start, end)
    return timeline.gaps(celsius, start=first, end=last)


def coverage(celsius: pd.Series, *, start: pd.Timestamp | None = None, end: pd.Timestamp | None = None) -> float:
    """Share of a window that readings cover [0 to 1]: a missing reading costs one interval, a gap its whole length.

    Cannot see: whether a reading that stands there is true.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=25, freq="5min", tz="UTC")
    >>> coverage(pd.Series(4.0, index=times).drop(times[10:16]))
    0.75
    """
    first, last = _window(celsius, start, end)
    return float(timeline.coverage(celsius, start=first, end=last)["covered_share"])


def minutes_beyond(celsius: pd.Series, *, limit_c: float, direction: str = "above", u_c: float = 0.0) -> excursions.time_beyond.Beyond:
    """Minutes beyond a temperature: on the straight line, at least, at most (CONTRACTS rule 6).

    Parameters
    ----------
    limit_c : float
        The temperature [°C]; a reading just on it is inside.
    direction : str
        "above" or "below".
    u_c : float
        Standard uncertainty of a reading [°C]; the bounds take twice that.

    Returns
    -------
    Beyond: minutes, least, most [min].

    Raises
    ------
    KitError
        A Series without times in UTC, a limit that is no number, an uncertainty below zero or that is none: what is not known widens, it is never nought.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="5min", tz="UTC")
    >>> minutes_beyond(pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], index=times), limit_c=8.0, u_c=0.25)
    Beyond(minutes=15.0, least=10.0, most=20.0)
    """
    return excursions.minutes_beyond(_checked(celsius), limit_c=_finite(limit_c, "limit_c"), direction=direction, u_c=_finite(u_c, "u_c", least=0.0))


def degree_minutes(celsius: pd.Series, *, limit_c: float, direction: str = "above") -> float:
    """Area between the course and a temperature, beyond it only, nothing from a gap [°C min].

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="5min", tz="UTC")
    >>> degree_minutes(pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], index=times), limit_c=8.0)
    22.5
    """
    return excursions.degree_minutes(_checked(celsius), limit_c=_finite(limit_c, "limit_c"), direction=direction)


def mean_kinetic_temperature(celsius: pd.Series, *, ea_kj_mol: float = physics.ACTIVATION_ENERGY_KJ_MOL) -> float:
    """Time-weighted mean kinetic temperature [°C] (USP <1160>; 83.144 kJ/mol unless more is known of the product).

    Parameters
    ----------
    ea_kj_mol : float
        Activation energy [kJ/mol].

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> round(mean_kinetic_temperature(pd.Series([20.0, 20.0, 30.0], index=times)), 4)
    23.6445
    """
    return exposure.mkt_c(_checked(celsius), ea_kj_mol=_finite(ea_kj_mol, "ea_kj_mol"))


def _finite(value: float, name: str, *, least: float = -math.inf) -> float:
    if not math.isfinite(value) or value < least:
        raise KitError(f"{name} is {value}", expected="a number" + ("" if least == -math.inf else f", {least:g} or more"))
    return value


def _window(celsius: pd.Series, start: pd.Timestamp | None, end: pd.Timestamp | None) -> tuple[pd.Timestamp, pd.Timestamp]:
    times = timeline.times_of(_checked(celsius))
    return times[0] if start is None else start, times[-1] if end is None else end


def _checked(celsius: pd.Series) -> pd.Series:
    """The Series itself; a KitError where its index is not what every rule rests on: UTC-aware times, strictly increasing."""
    index = celsius.index
    if not len(celsius):
        raise KitError("the Series holds no reading", expected="at least one temperature with its time")
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise KitError("the Series has no times with a zone", expected="an index of times in UTC", mend='Use pd.to_datetime(times, utc=True), or index.tz_localize("Europe/Lisbon").tz_convert("UTC")')
    if not (index.is_monotonic_increasing and index.is_unique):
        raise KitError("the times are not in order, or one stands twice", expected="strictly increasing times", mend="Use series.sort_index(), and look at the times that stand twice before you drop one")
    return celsius
