"""Injects the bugs of ``bugs.toml``, one at a time, into a copy of the tree, and reports those that no fast test sees.

``python -m tests.bench.bugs --look`` runs the fast tests once and keeps which of them call which function (``--seen FILE``);
``python -m tests.bench.bugs`` then plays every bug against the tests that call its function, those nearby first, until one
fails; a bug outside every function against all tests that call anything of its module. With names, only these bugs. The exit
code is the number of survivors, at most 99. Not a part of ``make bench``: it takes most of an hour.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("analysis", "daemon", "dashboard")
SEEN = Path(tempfile.gettempdir()) / "ductwarden-bugs-seen.json"
LIBRARIES = ("numpy", "scipy.stats", "hypothesis", "pydantic", "fastapi", "httpx", "typer.testing", "rich.table", "serial")
HANGS = -1
LONGEST_S = 900.0
"""A bug that makes a test hang counts as seen after this long."""


class Bug(NamedTuple):
    """``old`` is found once in ``file``; ``new`` in its place is the bug."""

    file: str
    name: str
    old: str
    new: str
    why: str


def listed(names: tuple[str, ...] = ()) -> list[Bug]:
    """The bugs of these names, or whose files begin so; without any, all. Raises ValueError that names those whose text is not
    found exactly once any more."""
    tables = tomllib.loads(Path(__file__).with_suffix(".toml").read_text())
    bugs = [Bug(file, **row) for file, rows in tables.items() for row in rows]
    bugs = [bug for bug in bugs if not names or bug.name in names or bug.file.startswith(names)]
    lost = [f"{bug.file}: {bug.name}: found {count} times" for bug in bugs
            if (count := (ROOT / bug.file).read_text().count(bug.old)) != 1]
    if lost:
        raise ValueError("the code has changed, the list of bugs must follow:\n" + "\n".join(lost))
    return bugs


# -- which test calls which function: a plugin of pytest (-p tests.bench.bugs) ------------------------------------------


class Look:
    """Notes for every test which functions of the product it enters, and how long it takes."""

    def __init__(self) -> None:
        self.entered: set[tuple[str, str]] = set()
        self.known: dict[int, tuple[str, str] | None] = {}
        self.tests: dict[str, list[str]] = defaultdict(list)
        self.lasted: dict[str, float] = {}
        self.failed: set[str] = set()

    def trace(self, frame: FrameType, event: str, arg: Any) -> None:
        code = frame.f_code
        at = id(code)
        if at not in self.known:
            path = Path(code.co_filename)
            inside = path.is_relative_to(ROOT) and path.relative_to(ROOT).parts[0] in PACKAGES
            name = code.co_qualname.partition(".<locals>")[0]
            self.known[at] = (str(path.relative_to(ROOT)), name) if inside else None
        found = self.known[at]
        if found is not None:
            self.entered.add(found)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.entered.clear()
        self.known.clear()  # an id may be another function's by now
        began = time.monotonic()
        threading.settrace(self.trace)
        sys.settrace(self.trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)  # type: ignore[arg-type]
            self.lasted[item.nodeid] = time.monotonic() - began
            for file, name in self.entered if item.nodeid not in self.failed else ():
                self.tests[f"{file}::{name}"].append(item.nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:  # a test that fails without a bug tells nothing
            self.failed.add(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        Path(os.environ["DUCTWARDEN_BUGS_SEEN"]).write_text(json.dumps({"tests": self.tests, "lasted": self.lasted}))


def pytest_configure(config: pytest.Config) -> None:
    """Begin to look, where this module is loaded as a plugin."""
    config.pluginmanager.register(Look())


def look(seen: Path) -> None:
    """Run the fast tests once, and keep which of them call which function."""
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-m", "not slow", "-p", "tests.bench.bugs"]
    subprocess.run(command, cwd=ROOT, env={**os.environ, "DUCTWARDEN_BUGS_SEEN": str(seen)}, check=False)


# -- one bug at a time --------------------------------------------------------------------------------------------------


def copied(folder: Path) -> Path:
    """A copy of everything that the repository holds, as it lies here."""
    names = subprocess.run(["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=True)
    for name in names.stdout.splitlines():
        if (ROOT / name).is_file():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, target)
    return folder


def place_of(bug: Bug) -> str:
    """The function that the bug is in, with its class; "" outside every function."""
    text = (ROOT / bug.file).read_text()
    line = text[: text.index(bug.old)].count("\n") + 1

    def inner(nodes: Iterable[ast.AST], path: str) -> str:
        for node in nodes:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.lineno <= line <= (node.end_lineno or 0):
                name = f"{path}{node.name}"
                return name if isinstance(node, ast.FunctionDef) else inner(node.body, f"{name}.")
        return ""

    return inner(ast.parse(text).body, "")


def tests_for(bug: Bug, place: str, seen: dict[str, Any]) -> list[str]:
    """The tests that can see the bug; first those of its neighbourhood, the short ones before the long."""
    keys = [f"{bug.file}::{place}"] if place else [key for key in seen["tests"] if key.startswith(f"{bug.file}::")]
    found = {test for key in keys for test in seen["tests"].get(key, ())}
    path = Path(bug.file)

    def order(test: str) -> tuple[bool, bool, float]:
        file = test.partition("::")[0]
        return path.stem not in file, not file.startswith(f"tests/{path.parent}"), seen["lasted"].get(test, 0.0)

    return sorted(found, key=order)


def tried(folder: Path, names: Path) -> tuple[int, str]:
    """The exit code and the words of pytest over the tests in ``names``, in a fork: what is not ours is loaded only once."""
    said = folder / "said.txt"
    child = os.fork()
    if child == 0:
        out = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        os.chdir(folder)
        for name in [name for name in sys.modules if name.partition(".")[0] in ("tests", *PACKAGES)]:
            del sys.modules[name]
        sys.path[:] = [str(folder), *(path for path in sys.path if path not in ("", str(ROOT)))]
        code = 3
        try:
            code = int(pytest.main(["-q", "-x", "-n", "0", "-p", "no:cacheprovider", f"@{names}"]))
        finally:
            os._exit(code)
    ends = time.monotonic() + LONGEST_S
    while time.monotonic() < ends:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status), said.read_text()
        time.sleep(0.1)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return HANGS, ""


def play(bug: Bug, folder: Path, seen: dict[str, Any], stamp: int) -> tuple[str, str]:
    """The verdict ("seen", "survives", "no test") and the words about it."""
    tests = tests_for(bug, place_of(bug), seen)
    if not tests:
        return "no test", "no fast test calls it"
    path = folder / bug.file
    good = path.read_text()
    path.write_text(good.replace(bug.old, bug.new))
    os.utime(path, (time.time() + stamp, time.time() + stamp))  # compiled code is told apart by whole seconds
    try:
        for part in (tests[:40], tests[40:]):
            if not part:
                continue
            names = folder / "names.txt"
            names.write_text("\n".join(part))
            code, said = tried(folder, names)
            gone = re.findall(rf"^ERROR: not found: {re.escape(str(folder))}/(.*)$", said, re.M)
            if code == 4 and gone:  # tests that were renamed since the look
                names.write_text("\n".join(test for test in part if test not in gone))
                code, said = tried(folder, names)
            if code == HANGS:
                return "seen", "a test hangs"
            if code > 1:
                raise RuntimeError(f"pytest could not run; look anew (--look)?\n{said[-1000:]}")
            if code:
                lines = [line for line in said.splitlines() if line.startswith(("FAILED", "ERROR"))]
                return "seen", lines[0][:150] if lines else said[-150:]
        return "survives", f"{len(tests)} tests"
    finally:
        path.write_text(good)
        os.utime(path, (time.time() + stamp + 1, time.time() + stamp + 1))


def main() -> int:
    """Play the bugs; how many survive."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", help="bugs, or beginnings of their files; else all")
    parser.add_argument("--look", action="store_true", help="run the fast tests once and keep what they call")
    parser.add_argument("--seen", type=Path, default=SEEN)
    given = parser.parse_args()
    if given.look:
        look(given.seen)
        return 0
    wanted = listed(tuple(given.names))
    seen = json.loads(given.seen.read_text())
    for library in LIBRARIES:
        importlib.import_module(library)
    verdicts: dict[str, int] = defaultdict(int)
    with tempfile.TemporaryDirectory() as folder:
        copied(Path(folder))
        for at, bug in enumerate(wanted):
            verdict, words = play(bug, Path(folder), seen, 10 * at + 10)
            verdicts[verdict] += 1
            print(f"{verdict:<9} {bug.name:<34} {bug.file}: {bug.why}; {words}", flush=True)
    print(", ".join(f"{count} {verdict}" for verdict, count in verdicts.items()))
    return min(99, len(wanted) - verdicts["seen"])


if __name__ == "__main__":
    raise SystemExit(main())
