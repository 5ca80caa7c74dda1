"""The index page over many units: marked, escaped, figures with unit and probe, never rounded onto a limit."""

from __future__ import annotations

import json

import pytest

from coldchain_kit.assessment import monthly
from coldchain_kit.base import KitError
from coldchain_kit.records import fleet, making
from tests import sites


def row(tmp_path, **changes):
    probe = {"unit": "F2", "probe": "upper", "decides": True, "min_c": 4.1, "max_c": 8.0004, "outside": {"above": {"minutes": 5.0, "minutes_least": 0.0, "minutes_most": 12.0}}}
    excursion = {"unit": "F2", "probe": "upper", "direction": "above", "limit_c": 8.0}
    results = {"probes": [probe], "excursions": [excursion], "believable": [{"unit": "F2", "answer": "not usable", "reasons": []}]}
    return {"site": "Tern <Bay>", "unit": "F2", "description": "dispensary", "fault": "", "incomplete": ["unit F2: 3.0 h without readings"], "path": str(tmp_path / "F2-2026-03-r1"), "results": results, **changes}


def test_the_index_tells_probe_unit_verdict_and_bounds(tmp_path):
    page = fleet.page([row(tmp_path)], month="2026-03", base=tmp_path, banner="DEMONSTRATION: invented")
    for text in ("DEMONSTRATION: invented", "4.1 °C (upper)", "8.0004 °C (upper)", "not usable; INCOMPLETE: unit F2: 3.0 h without readings", "upper above the limit: 0 min to 12 min", 'href="F2-2026-03-r1/data/record.html"'):
        assert text in page
    assert "<Bay>" not in page and "http:" not in page and "https:" not in page and page.count("DEMONSTRATION") == 2  # on the page and in its title


def test_a_unit_that_could_not_be_done_stays_in_the_list(tmp_path):
    page = fleet.page([row(tmp_path, fault="no file <x>", results=None)], month="2026-03", base=tmp_path)
    assert "NOT DONE: no file &lt;x&gt;" in page and "mark" not in page.split("</style>")[1]


def test_a_unit_without_a_reading_says_so(tmp_path):
    found = row(tmp_path)
    found["results"] = {"probes": [{"unit": "F2", "probe": "upper", "decides": True, "min_c": None, "max_c": None, "outside": {}}], "excursions": []}
    page = fleet.page([found], month="2026-03", base=tmp_path)
    assert page.count("no reading<") == 2 and "not evaluated" in page and "none by the readings" in page


def test_everything_typed_is_text_on_the_index(tmp_path):
    bad = '<i onmouseover="x()">'
    found = row(tmp_path, site=bad, unit=bad, description=bad, incomplete=[bad])
    found["results"]["probes"][0]["probe"] = found["results"]["excursions"][0]["probe"] = bad
    page = fleet.page([found], month="2026-03", base=tmp_path, banner=bad)
    assert "<i " not in page and 'onmouseover="' not in page
    assert page.count("&lt;i onmouseover=") == 9  # mark and title; site, unit, description, incomplete, lowest, highest, outside


def test_one_unit_at_fault_in_the_register_does_not_end_the_month(tmp_path, monkeypatch):
    def freeze(site, *, unit, month, out, reason, final):
        """The month without its notebook."""
        done = monthly.assess(site, unit=unit, month=month)
        (out / unit / "data").mkdir(parents=True)
        (out / unit / "data" / "results.json").write_text(json.dumps(done.results), "utf-8")
        return out / unit

    monkeypatch.setattr(making, "monthly", freeze)
    path = sites.series(tmp_path, [(f"2026-02-{1 + k // 24:02d}T{k % 24:02d}:00:00", 5.0 + 0.1 * (k % 3)) for k in range(672)])
    broken = '[units.X]\nkind = "refrigerator"\nreadings = ["U/a.csv"]\n[units.X.logger]\ninterval_min = inf\n'
    site = sites.write(tmp_path, [path], unit='[units.U.logger]\ninterval_min = 60\n', site=broken).parent / "site.toml"
    done = fleet.month([site], month="2026-02", out=tmp_path / "out")
    assert [record.name for record in done.records] == ["U"]
    (line,) = [line for line in done.incomplete if "was not done" in line]
    assert "unit X was not done" in line and "'units.X.logger.interval_min' is 'inf'" in line and "site.toml line" in line
    assert "NOT DONE" in done.index.read_text("utf-8")
    with pytest.raises(KitError, match="unit 'Y' is in none"):
        fleet.month([site], month="2026-02", out=tmp_path / "other", units=["Y"])
