"""What the store's modules must not load: pandas and sqlite-utils cost more than a second and 100 MB."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

MODULES = sorted(path.stem for path in Path("daemon/store").glob("[a-z]*.py"))


def loaded(program: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", program + "\nimport sys; print(' '.join(sys.modules))"], capture_output=True, text=True,
        timeout=60, check=True,
    )
    return {name.split(".")[0] for name in done.stdout.split()}


def test_nothing_heavy_is_loaded_by_any_module() -> None:
    program = "\n".join(f"import daemon.store.{module}" for module in MODULES)
    assert loaded(program) & {"pandas", "sqlite_utils", "scipy", "pyarrow"} == set()


def test_reading_and_asking_load_even_less() -> None:
    program = "import daemon.store.reader, daemon.store.requests, daemon.store.export"
    assert loaded(program) & {"pandas", "sqlite_utils", "scipy", "pyarrow", "numpy", "fluids", "pydantic"} == set()


@pytest.mark.slow
def test_making_a_database_does_not_load_pandas_even_in_its_own_process(tmp_path: object) -> None:
    names = loaded(f"from daemon.store.migrate import main; assert main([{str(tmp_path)!r} + '/x.db']) == 0")
    assert "sqlite_utils" in names
    assert "pandas" not in names
