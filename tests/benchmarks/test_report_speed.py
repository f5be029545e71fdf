"""How long and how large the report of forty elements in three kinds of material is.

Processor time is held to the bound: all three files are made by one thread, so that it is the
waiting time on an idle machine. The waiting time itself, which depends on what else runs, is
printed beside it.
"""

import time

import pytest

from reconcile.reporting import pdf, screen, workbook
from tests.reporting import builder


@pytest.mark.benchmark
def test_forty_elements_in_three_matrices_take_less_than_a_minute_together() -> None:
    results = [
        builder.result_of(
            builder.stratum_of(symbol, matrix=matrix), n=41, seed=41 * i + j,
            middle=10.0 ** (i % 5), levels=(("trigger", 1.2 * 10.0 ** (i % 5)),),
        )
        for i, symbol in enumerate(builder.SYMBOLS[:40])
        for j, matrix in enumerate(("soil", "ore", "core"))
    ]  # fmt: skip
    value = builder.reconciliation(results)
    took: dict[str, float] = {}
    size: dict[str, int] = {}
    for name, make in (("pdf", pdf.report), ("xlsx", workbook.workbook), ("html", screen.page)):
        start, waited = time.process_time(), time.perf_counter()
        size[name] = len(make(value))
        took[name] = time.process_time() - start
        print(f"{name}: waited {time.perf_counter() - waited:.1f} s")
    print({k: f"{took[k]:.1f} s, {size[k] / 2**20:.2f} MiB" for k in took})
    assert sum(took.values()) < 60
    assert size["pdf"] < 5 * 2**20
