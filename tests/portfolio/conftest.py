"""Nine tiny sites of one month, run once in this process without report, page and workbook."""

from __future__ import annotations

import pytest

from reconcile.portfolio import listed
from reconcile.portfolio.listed import Portfolio
from reconcile.portfolio.work import asked, work
from tests import sites

MONTH = "2026-10"
COUNT = 9
#: An instrument that reads 30 % high; a laboratory whose results are 15 % low.
FAULTS = {"X04": 0.30, "laboratory C": 0.15}


@pytest.fixture(scope="package")
def released(tmp_path_factory: pytest.TempPathFactory) -> Portfolio:
    from reconcile.run import releasing
    from tests import small

    folder = sites.build_portfolio(
        tmp_path_factory.mktemp("portfolio"), COUNT, [MONTH], faults=FAULTS
    )
    portfolio = listed.load(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        for site in portfolio.sites:
            assert site.workspace is not None
            (month,) = work(asked(site.workspace, (MONTH,), 0)).months
            assert month.done, month.message
    return portfolio
