"""A test run that ends in whatever way leaves no process and no file behind: runs inside this one, seen from outside."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.leftovers import carrying
from tests.support.waiting import eventually

ROOT = Path(__file__).parents[1]
CONFTEST = "from tests.conftest import *  # noqa: F403\n"
STARTS = """
import os, subprocess, sys, tempfile, time
from pathlib import Path

def start():
    # a program, its child in a session of its own, and a file: the child outlives the death of the program
    child = "import time; time.sleep(600)"
    parent = (
        f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {child!r}], start_new_session=True); "
        "time.sleep(600)"
    )
    made = subprocess.Popen([sys.executable, "-c", parent])
    (Path(tempfile.mkdtemp()) / "file").write_text("left")
    return made
"""


def inner(folder: Path, test: str, *options: str) -> subprocess.Popen[str]:
    """A pytest run of its own with this test, under the same conftest."""
    (folder / "conftest.py").write_text(CONFTEST)
    (folder / "test_inner.py").write_text(STARTS + test)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n    slow: x\n    long: x\n")
    command = [sys.executable, "-m", "pytest", "-q", "--disable-plugin-autoload", "-p", "xdist", "-p", "no:cacheprovider"]
    return subprocess.Popen(
        [*command, *options, "-c", str(folder / "pytest.ini"), str(folder)],
        cwd=folder, stdout=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )


HANGS = """
def test_hangs():
    start()
    Path({begun!r}).write_text(f"{{os.environ['TMPDIR']}}\\n{{os.environ['DUCTWARDEN_TEST_RUN'].rpartition('/')[2]}}")
    time.sleep(600)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "workers"),
    [
        (signal.SIGINT, ("-n", "1")),
        (signal.SIGKILL, ("-n", "1")),
        pytest.param(signal.SIGINT, (), marks=pytest.mark.long),
        pytest.param(signal.SIGTERM, (), marks=pytest.mark.long),
        pytest.param(signal.SIGKILL, (), marks=pytest.mark.long),
    ],
)
def test_an_interrupted_run_leaves_nothing_behind(tmp_path: Path, how: signal.Signals, workers: tuple[str, ...]) -> None:
    begun = tmp_path / "begun"
    run = inner(tmp_path, HANGS.format(begun=str(begun)), *workers)
    eventually(lambda: begun.exists() and "\n" in begun.read_text(), 120.0, "the inner test has begun")
    folder, mark = begun.read_text().split("\n")
    # the program, its child, and the workers
    eventually(lambda: len([left for left in carrying(mark) if "sleep(600)" in left.command]) >= 2, 60.0, "both processes live")
    assert Path(folder).is_dir()
    if how is signal.SIGINT:
        os.killpg(run.pid, how)  # as a terminal does it: to all that runs in it
    else:
        run.send_signal(how)
    eventually(lambda: not carrying(mark), 60.0, "every process is gone")
    eventually(lambda: not Path(folder).exists(), 60.0, "the temporary files are gone")
    run.communicate(timeout=60.0)
    assert run.returncode != 0


@pytest.mark.slow
def test_a_run_fails_when_a_test_leaves_a_process_and_names_the_test(tmp_path: Path) -> None:
    run = inner(tmp_path, "def test_leaves_one():\n    start()\n")
    shown, _ = run.communicate(timeout=120.0)
    assert run.returncode == 1
    assert re.search(r"process \d+ was left alive by test_inner.py::test_leaves_one \(call\): .*sleep\(600\)", shown)
    assert re.search(r"1 passed, 2 errors in [\d.]+s\s*\Z", shown), "the closing line tells it"
