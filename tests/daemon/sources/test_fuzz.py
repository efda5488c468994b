"""The fuzzers run, and would find something if there were something to find."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]

PLANTED = """
import sys, time
from tests.fuzz.engine import Target, main
def check(data):
    if b"1e400" in data and b"pa" in data:
        {defect}
    return len(data) % 5, b"pa" in data
main(Target("planted", check, (b"inlet_pa=1",), (b"1e400",)))
"""


def fuzz(*arguments: str, folder: Path, script: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, *(["-c", script] if script else []), *arguments, "--keep", str(folder)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120)


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("target", ["wire", "payloads", "recording", "configuration"])
def test_a_short_run_finds_nothing(target: str, tmp_path: Path) -> None:
    ended = fuzz("-m", f"tests.fuzz.{target}", "--runs", "3000", folder=tmp_path)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert f"{target}: 3000 inputs" in ended.stdout
    assert "nothing found" in ended.stdout


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("defect", ["raise ValueError('planted')", "assert False", "time.sleep(60)"])
def test_a_planted_defect_is_found_and_kept(defect: str, tmp_path: Path) -> None:
    ended = fuzz("--runs", "20000", folder=tmp_path, script=PLANTED.format(defect=defect))
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "planted: FOUND" in ended.stdout
    (kept,) = tmp_path.glob("planted-*")
    assert b"1e400" in kept.read_bytes()
