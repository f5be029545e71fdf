"""A whole release: every file, the same bytes in any process."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from reconcile.reporting.files import write_release
from tests.reporting import builder

NAMES = {
    "report.pdf", "report.html", "workbook.xlsx", "statistics.csv", "statistics.json",
    "factors.csv", "factors.json", "verdicts.csv", "pairs.csv", "exclusions.csv",
    "quarantine.csv", "waterfall.csv", "evidence.csv", "corrections.csv",
    "values.json.gz",
}  # fmt: skip


@pytest.mark.slow
def test_every_file_is_written_and_named(tmp_path: Path) -> None:
    names = write_release(builder.mixed(), tmp_path)
    assert set(names) == NAMES
    assert {p.name for p in tmp_path.iterdir()} == NAMES
    assert all((tmp_path / name).stat().st_size for name in names)


@pytest.mark.slow
def test_equal_values_give_equal_bytes_even_in_another_process(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    write_release(builder.mixed(), here)
    script = (
        "import sys, pathlib; from tests.reporting import builder; "
        "from reconcile.reporting.files import write_release; "
        "write_release(builder.mixed(), pathlib.Path(sys.argv[1]))"
    )
    root = Path(__file__).parents[2]
    environment = {**os.environ, "PYTHONHASHSEED": "4711", "TZ": "Pacific/Auckland",
                   "PYTHONPATH": os.pathsep.join([str(root), os.environ.get("PYTHONPATH", "")]),
                   "LC_ALL": "C"}  # fmt: skip
    time.sleep(2.1)  # long enough for any file time of two seconds' grain to differ
    subprocess.run(
        [sys.executable, "-c", script, str(there)], check=True, env=environment, timeout=120
    )
    for name in sorted(NAMES):
        assert (here / name).read_bytes() == (there / name).read_bytes(), name


@pytest.mark.slow
def test_forty_strata_take_less_than_a_minute(tmp_path: Path) -> None:
    value = builder.many(40)
    start = time.process_time()
    write_release(value, tmp_path)
    assert time.process_time() - start < 60
