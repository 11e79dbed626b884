"""Results as JSON lines: one shot a line, in the form of `cardmeasure/1`, for programs that read as they go."""

from __future__ import annotations

import json
from collections.abc import Sequence

from cardmeasure.reports.json_results import shot_record
from cardmeasure.results import SCHEMA, ShotResult


def results_json_lines(shots: Sequence[ShotResult]) -> str:
    """One line a shot; each names the schema, so that a line can stand alone."""
    return "".join(f"{_line(shot)}\n" for shot in shots)


def _line(shot: ShotResult) -> str:
    return json.dumps({"schema": SCHEMA, **shot_record(shot)}, ensure_ascii=False, allow_nan=False)
