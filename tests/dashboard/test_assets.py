"""The chart library's files are exactly the published ones, and static files are served with care."""

from __future__ import annotations

import hashlib
import subprocess
import sys

from dashboard.assets import CHART_FILES, Assets, chart_folder

# sha256 of dist/uPlot.iife.min.js and dist/uPlot.min.css of uPlot 1.6.31 as published on npm; the wheel carries the same bytes.
PUBLISHED = {
    "uplot.js": "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    "uplot.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
}


def test_the_chart_library_is_the_published_one() -> None:
    for name, digest in PUBLISHED.items():
        assert hashlib.sha256((chart_folder() / CHART_FILES[name]).read_bytes()).hexdigest() == digest


def test_the_wheel_that_carries_it_is_never_imported() -> None:
    code = "import sys, dashboard.assets as a; a.Assets(); sys.exit('youplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=90, check=False).returncode == 0


def test_the_path_changes_with_the_content(tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "a.css").write_text("p{}")
    first = Assets(tmp_path).base
    assert Assets(tmp_path).base == first
    (tmp_path / "a.css").write_text("p{color:red}")
    assert Assets(tmp_path).base != first
