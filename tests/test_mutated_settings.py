"""No setting, however wrong, ends as a program error."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake import workspace as ws
from reconcile.intake.settings_listed import setting_lines
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small
from tests.mutated_settings import settings_texts
from tests.sizes import cases

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
ALL = len(pipeline.STEPS) - 1  # but the writing of the release, which takes longest


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small.build(tmp_path_factory.mktemp("mutated") / "deep" / "er" / "site", samples=6)


def outcome_of(site: Path, content: bytes, steps: int, seen: set[str]) -> str:
    """'' where the settings ran through the first ``steps``, else the message; raises no other.

    What bears on no step (labels, the schedule) need not run again: ``seen`` holds what ran.
    """
    (site / "reconcile.toml").write_bytes(content)
    try:
        workspace = ws.load_workspace(site)
        setting_lines(workspace.settings)
        mark = ws.settings_hash(workspace.settings)
        if steps == 0 or mark in seen:
            return ""
        seen.add(mark)
        period = PERIOD if workspace.settings.workspace.assign_rows_by != "nothing" else "all"
        with Store(None) as store:
            run = pipeline.begin(workspace, period, store)
            for _, step in pipeline.STEPS[:steps]:
                run = step(run)
    except ReconcileError as error:
        return str(error)
    finally:
        shutil.rmtree(site / "out", ignore_errors=True)
    return ""


def told(site: Path, count: int, steps: int, seed: int = 1) -> list[str]:
    seen: set[str] = set()
    messages = []
    for what, content in settings_texts(count, seed):
        try:
            messages.append(outcome_of(site, content, steps, seen))
        except BaseException as error:
            raise AssertionError(f"{what}: {type(error).__name__}: {error}") from error
    return messages


@pytest.mark.slow
def test_500_mutated_settings_are_loaded_or_refused_in_plain_words(site: Path) -> None:
    messages = told(site, 500, 0)
    refused = [message for message in messages if message]
    assert 150 < len(refused) < 480
    assert all(message.startswith("reconcile.toml") for message in refused)
    assert max(map(len, refused)) < 6000


@pytest.mark.slow
def test_mutated_settings_run_or_say_why_not(site: Path) -> None:
    messages = told(site, cases(24, 6), ALL, seed=9)
    assert "" in messages


@pytest.mark.slow
def test_many_mutated_settings_run_or_say_why_not(site: Path) -> None:
    count = cases(500, 60)
    assert told(site, count, ALL).count("") > count // 10
