"""The comparison as a table (pandas, loaded when first asked): for CSV, and for whoever goes on with the numbers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.compare.verdict import group_words
from daemon.comparing.comparing import Report
from daemon.comparing.document import drawn_of

if TYPE_CHECKING:
    import pandas as pd


def table(report: Report) -> pd.DataFrame:
    """One row for each measure and gate set. Sizes in SI, changes and their parts in per cent."""
    import pandas as pd

    rows = []
    for one in report.comparison.sets:
        for change in one.judged.changes:
            drawn = drawn_of(report.comparison, change)
            rows.append({
                "gates": group_words(change.group), "measure": change.measure, "where": change.where,
                "before": change.before, "after": change.after, "total_pct": 100.0 * change.total.value,
                "duct_pct": 100.0 * change.duct.value, "duct_low_pct": 100.0 * change.duct.low,
                "duct_high_pct": 100.0 * change.duct.high, "filter_pct": 100.0 * change.filter.value,
                "air_pct": 100.0 * change.air.value, "mains_pct": 100.0 * change.mains.value,
                "drawn_pct": None if drawn is None else 100.0 * drawn.change.value,
                "p": change.p, "claimed": change.claimed, "minutes_before": one.judged.seconds[0] / 60.0,
                "minutes_after": one.judged.seconds[1] / 60.0, "runs_before": one.judged.runs[0],
                "runs_after": one.judged.runs[1],
            })
    return pd.DataFrame(rows)


def write_csv(report: Report, path: Path) -> int:
    """Write :func:`table`; returns the number of rows."""
    found = table(report)
    found.to_csv(path, index=False, float_format="%.6g")
    return len(found)
