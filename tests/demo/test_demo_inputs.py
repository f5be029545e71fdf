"""The invented example: its files, its settings, and the troubles that it hides."""

from __future__ import annotations

import csv
import io
import math
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from reconcile.base.settings.whole import Settings
from reconcile.intake.workspace import find_files, load_workspace
from tests.demo import scenario as s
from tests.demo.make_demo_inputs import FOLDER, Made, make, write
from tests.demo.materials import PREFIX, samples_of
from tests.demo.measurements import certificate_name, lab_cell


@pytest.fixture(scope="module")
def made() -> Made:
    return make()


def rows_of(made: Made, name: str, delimiter: str = ",") -> list[list[str]]:
    return list(csv.reader(io.StringIO(made.files[name].decode("utf-8-sig")), delimiter=delimiter))


def cells_of(content: bytes) -> list[list[object]]:
    book = openpyxl.load_workbook(io.BytesIO(content))
    return [[c.value for c in row] for sheet in book for row in sheet.iter_rows()]


@pytest.mark.slow
def test_making_them_twice_gives_the_same_bytes(made: Made) -> None:
    again = make()
    assert again.files == made.files
    assert again.planted == made.planted


def test_the_files_in_the_repository_are_those_that_the_script_makes(made: Made) -> None:
    kept = {
        p.relative_to(FOLDER).as_posix()
        for p in FOLDER.rglob("*")
        if p.is_file() and p.suffix in (".csv", ".xlsx")
    }
    assert kept == set(made.files)
    for name, content in made.files.items():
        stored = (FOLDER / name).read_bytes()
        if name.endswith(".csv"):
            # A checkout may turn line ends on Windows; the cells may not change.
            assert stored.replace(b"\r\n", b"\n") == content, name
        else:  # another release of the workbook library may write other markup
            assert cells_of(stored) == cells_of(content), name


def test_writing_leaves_the_settings_and_the_readme_alone(tmp_path: Path, made: Made) -> None:
    (tmp_path / "reconcile.toml").write_text("# kept\n", encoding="utf-8")
    write(tmp_path)
    assert (tmp_path / "reconcile.toml").read_text(encoding="utf-8") == "# kept\n"
    written = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert written == {*made.files, "reconcile.toml"}


def test_everything_together_stays_small(made: Made) -> None:
    assert sum(map(len, made.files.values())) < 3_000_000


def test_the_settings_file_loads_and_finds_every_file(made: Made) -> None:
    raw = tomllib.loads((FOLDER / "reconcile.toml").read_text(encoding="utf-8"))
    assert Settings.model_validate(raw).workspace.output == "../out/demo"
    workspace = load_workspace(FOLDER)
    found: set[str] = set()
    for period in s.PERIODS:
        files, missing = find_files(workspace, period)
        assert not [m for m in missing if m.required]
        found |= {f.shown for f in files}
    assert found == {name for name in made.files if not name.startswith("unsorted/")}


def test_settings_and_readme_say_that_it_is_invented() -> None:
    for name in ("reconcile.toml", "README.md"):
        assert "invented" in (FOLDER / name).read_text(encoding="utf-8").splitlines()[0].lower()


@pytest.mark.parametrize(
    ("period", "kind", "low", "high"),
    [(p, *c) for p in s.PERIODS for c in (("soil", 45, 60), ("rock", 40, 50), ("parts", 40, 40))],
)
def test_each_month_has_enough_ordinary_samples(
    period: str, kind: str, low: int, high: int
) -> None:
    ordinary = [x for x in samples_of(period, kind) if x.ordinal >= 0]
    assert low <= len(ordinary) <= high
    assert len({x.sample_id for x in ordinary}) == len(ordinary)


def test_no_mistyped_or_stray_id_is_the_id_of_a_sample(made: Made) -> None:
    known = {x.sample_id for samples in made.samples.values() for x in samples}
    for trouble in made.planted:
        if trouble.kind == "id with a typo":
            written = trouble.what.split("'")[1]
            assert trouble.sample_id in known
            assert written not in known
        if trouble.kind == "laboratory without sample":
            assert trouble.sample_id not in known


def test_every_planted_row_names_its_sample(made: Made) -> None:
    checked = 0
    for trouble in made.planted:
        if not trouble.row or trouble.kind in ("no id", "seal mismatch", "broken custody"):
            continue
        if trouble.file.endswith(".xlsx"):
            book = openpyxl.load_workbook(io.BytesIO(made.files[trouble.file]))
            line = [str(c.value) for c in book["Results"][trouble.row]]
        else:
            line = rows_of(made, trouble.file)[trouble.row - 1]
        written = {trouble.sample_id}
        if "written '" in trouble.what:
            written = {trouble.what.split("'")[1]}
        if trouble.kind == "other spelling":
            written = {f"{trouble.sample_id.lower()} "}
        assert written & set(line), trouble
        checked += 1
    assert checked > 30


def test_planted_kinds_cover_the_usual_troubles(made: Made) -> None:
    kinds = {t.kind for t in made.planted}
    assert kinds >= {
        "above the upper limit", "alias", "broken custody", "field without laboratory",
        "id with a typo", "impossible date", "labels exchanged", "laboratory without sample",
        "lead on arsenic", "month boundary", "no id", "re-issued certificate",
        "reference material out of limits", "seal mismatch", "targeted spots", "unreadable cell",
        "below the ordered content", "late certificate", "check assays", "rejected result",
        "another weld metal", "averaged row", "partial receipt", "operators apart",
    }  # fmt: skip


def test_the_broken_custody_really_exceeds_the_agreed_hours(made: Made) -> None:
    limit = load_workspace(FOLDER).settings.thresholds.handover_hours
    broken = [t for t in made.planted if t.kind == "broken custody"]
    assert len(broken) == 2
    for trouble in broken:
        lines = rows_of(made, trouble.file)
        taken = lines[trouble.row - 1]
        given = next(x for x in lines if x[2] == taken[2] and x[3] == "relinquished")
        gap = datetime.fromisoformat(taken[4]) - datetime.fromisoformat(given[4])
        assert gap.total_seconds() / 3600 > limit


def test_a_seal_number_changed_on_the_way_once(made: Made) -> None:
    for period in s.PERIODS:
        lines = rows_of(made, f"custody/custody_{period}.csv")[1:]
        seals: dict[str, set[str]] = {}
        for line in lines:
            if line[7]:
                seals.setdefault(line[2], set()).add(line[7])
        changed = {d for d, numbers in seals.items() if len(numbers) > 1}
        planted = {t.sample_id for t in made.planted
                   if t.kind == "seal mismatch" and t.period == period}  # fmt: skip
        samples = {x.sample_id: x for x in made.samples[period, "soil"]}
        assert changed == {samples[name].dispatch for name in planted}


def test_the_second_issue_changes_lead_and_nothing_else(made: Made) -> None:
    first = {tuple(r[:2]): r for r in rows_of(made, "lab/soil_four_acid_2026-10.csv")}
    again = rows_of(made, "lab/soil_four_acid_2026-10_issue2.csv")
    place = again[0].index("Pb mg/kg")
    changed = 0
    for row in again[1:]:
        before = first[tuple(row[:2])]
        assert (before[2], row[2]) == ("1", "2")
        others = [i for i in range(7, len(row)) if i != place]
        assert [before[i] for i in others] == [row[i] for i in others]
        changed += before[place] != row[place]
    assert changed >= 25


def test_the_true_ratio_of_lead_to_arsenic_reaches_ten_only_where_it_was_planted() -> None:
    for period in s.PERIODS:
        rich = {x.ordinal for x in samples_of(period, "soil")
                if x.ordinal >= 0 and x.true["Pb"] / x.true["As"] >= 10}  # fmt: skip
        assert rich == set(s.LEAD_RICH_SOILS)
        rocks = [x.true for x in samples_of(period, "rock") if x.ordinal >= 0]
        assert max(x["Pb"] / x["As"] for x in rocks) < 7


def test_field_soil_copper_reads_fifteen_percent_high_and_zinc_does_not(made: Made) -> None:
    # Plain arithmetic on the files, the months of one calibration together: the truth can be
    # recovered.
    logs: dict[str, list[float]] = {"Cu": [], "Zn": []}
    for period in s.PERIODS[2:]:
        true = {x.sample_id: x.true for x in made.samples[period, "soil"] if x.ordinal >= 0}
        lines = rows_of(made, f"field/xrf_soil_{period}.csv")
        for element, found in logs.items():
            place = lines[0].index(f"{element} mg/kg")
            readings: dict[str, list[float]] = {}
            for line in lines[1:]:
                if line[0] in true and line[place].replace(".", "").isdigit():
                    readings.setdefault(line[0], []).append(float(line[place]))
            found += [math.log(np.mean(v) / true[k][element]) for k, v in readings.items()]
    for element, factor in (("Cu", 1.15), ("Zn", 1.0)):
        x = np.array(logs[element])
        error = 3 * x.std(ddof=1) / math.sqrt(len(x))
        assert abs(x.mean() - math.log(factor)) < error
        assert len(x) > 160


def test_the_calibration_changed_once_and_lead_in_rock_stepped_without_a_word(made: Made) -> None:
    named: list[set[str]] = []
    means: list[float] = []
    for period in s.PERIODS:
        soil = rows_of(made, f"field/xrf_soil_{period}.csv")
        named.append({line[soil[0].index("Calibration")] for line in soil[1:]})
        true = {x.sample_id: x.true["Pb"] for x in made.samples[period, "rock"] if x.ordinal >= 0}
        logs = [
            math.log(float(line[5]) / true[line[2]])
            for line in rows_of(made, f"field/xrf_rock_{period}.csv")[1:]
            if line[4] == "Pb" and line[2] in true and not line[5].startswith("<")
        ]
        means.append(math.exp(np.mean(logs)))
    assert named == [{"soil 2"}] * 2 + [{"soil 3"}] * 4
    assert means == pytest.approx([1.02] * 3 + [0.86] * 3, abs=0.03)


def test_one_certificate_was_reported_after_its_month(made: Made) -> None:
    (late,) = [t for t in made.planted if t.kind == "late certificate"]
    book = openpyxl.load_workbook(io.BytesIO(made.files[late.file]))
    reported = {row[6].value for row in book["Results"].iter_rows(min_row=9)}
    assert {f"{at:%Y-%m}" for at in reported if isinstance(at, datetime)} == {"2026-08"}
    assert late.period == "2026-07"


def test_most_field_nickel_in_soil_is_below_its_limit(made: Made) -> None:
    lines = rows_of(made, "field/xrf_soil_2026-10.csv")
    place = lines[0].index("Ni mg/kg")
    cells = [line[place] for line in lines[1:] if line[0].startswith("KRS")]
    assert cells.count("not detected") / len(cells) > 0.75


def test_a_certificate_cell_is_rounded_or_says_which_limit_it_passed() -> None:
    assert lab_cell("soil", "Cu", 4.99) == "<5"
    assert lab_cell("soil", "Cu", 123.456) == "123"
    assert lab_cell("rock", "Zn", 13_400.0) == ">10000"
    assert lab_cell("soil", "Fe", 38_765.0, s.PERCENT) == "3.88"
    assert lab_cell("soil", "Fe", None) == ""


def test_oxides_in_the_rock_certificate_are_the_elements_times_the_oxide_factor(
    made: Made,
) -> None:
    # Factors as geochemical handbooks print them: Li to Li2O 2.1527, Fe to Fe2O3 1.4297.
    assert abs(s.LI2O_PER_LI - 2.1527) < 5e-4
    assert abs(s.FE2O3_PER_FE - 1.4297) < 5e-4
    true = {x.sample_id: x.true for x in made.samples["2026-10", "rock"] if x.ordinal >= 0}
    book = openpyxl.load_workbook(io.BytesIO(made.files["lab/rock_certificate_2026-10_1.xlsx"]))
    ratios = [
        float(str(row[9].value)) * s.PERCENT / true[str(row[0].value)]["Li"]
        for row in book["Results"].iter_rows(min_row=9)
        if row[0].value in true and not isinstance(row[9].value, str)
    ]
    assert len(ratios) > 15
    assert np.mean(ratios) == pytest.approx(2.1527, rel=0.01)


def test_certificates_of_all_kinds_have_numbers_of_their_own() -> None:
    names = {certificate_name(k, p, b) for k in PREFIX for p in s.PERIODS for b in (1, 2)}
    assert len(names) == len(PREFIX) * len(s.PERIODS) * 2
