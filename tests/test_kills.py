"""A few kills of whole runs at random moments; the hundred are ``python -m tests.kills``."""

from __future__ import annotations

import pytest

from tests import kills


@pytest.mark.notebooks
@pytest.mark.slow
def test_runs_killed_at_random_moments_leave_nothing_half(tmp_path):
    met, wrong = kills.run(tmp_path, count=2, seed=11, every=100)
    assert met >= 1 and wrong == []
