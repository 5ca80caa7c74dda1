"""Writes coldchain_kit/assessment/results.schema.json anew from the rows (coldchain_kit/model/rows): ``python -m tests.make_schema``."""

from __future__ import annotations

import json

from coldchain_kit.assessment import results
from coldchain_kit.model.rows import json_schema
from tests.conftest import CHECKOUT

STORED = CHECKOUT / "coldchain_kit" / "assessment" / "results.schema.json"


def text() -> str:
    """The schema as it must stand in the file."""
    return json.dumps(json_schema(results.SCHEMA_ID), ensure_ascii=False, indent=1) + "\n"


if __name__ == "__main__":
    STORED.write_text(text(), "utf-8")
    print(STORED.relative_to(CHECKOUT))
