"""The index page over many units: marked, escaped, figures with unit and probe, never rounded onto a limit."""

from __future__ import annotations

from coldchain_kit.records import fleet


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
