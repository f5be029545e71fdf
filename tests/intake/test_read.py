import codecs
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED, TypedTable
from tests.intake.conftest import Read


def cells(table: TypedTable, key: str) -> list[tuple[int, float | None, float | None]]:
    frame = table.values.to_pandas()
    return [
        (q, None if pd.isna(v) else v, None if pd.isna(lim) else lim)
        for q, v, lim in zip(
            frame[f"{key}_q"], frame[key], frame[f"{key}_lim"], strict=True
        )
    ]  # fmt: skip


def reasons(table: TypedTable) -> list[list[Any]]:
    return table.quarantine[["row", "column", "reason"]].to_numpy().tolist()


def test_a_plain_table_is_read(read: Read) -> None:
    table = read("Sample,Cu ppm,Fe2O3 %\nS1,12,5\nS2,<5,>50\nS3,NSS,\n")
    assert table.facts.column("sample_id").to_pylist() == ["S1", "S2", "S3"]
    assert table.facts.column("row").to_pylist() == [2, 3, 4]
    assert cells(table, "Cu") == [(QUANTIFIED, 12, None), (BELOW, None, 5), (NO_RESULT, None, None)]
    fe = cells(table, "Fe")
    assert fe[0][1] == pytest.approx(5e4 * 0.69943, rel=1e-4)
    assert fe[1] == (ABOVE, None, pytest.approx(5e5 * 0.69943, rel=1e-4))
    assert pd.isna(fe[2][0])
    assert table.texts.to_pylist() == [
        {"row": 4, "key": "Cu", "text": "NSS"},
        {"row": 3, "key": "Fe", "text": ">50"},
    ]
    assert any("Fe2O3 to Fe" in note for note in table.notes)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-32"])
def test_any_delimiter_and_encoding(read: Read, delimiter: str, encoding: str) -> None:
    text = "Sample,Note,Cu µg/g\nS1,Gestein über,12.5\nS2,é,3.25\n".replace(",", delimiter)
    table = read(text.encode(encoding))
    assert table.facts.column("note").to_pylist() == ["Gestein über", "é"]
    assert table.values.column("Cu").to_pylist() == [12.5, 3.25]
    assert bool(table.notes) == (encoding == "cp1252")


def test_decimal_commas_are_found_and_said(read: Read) -> None:
    table = read("Sample;Cu mg/kg\nS1;12,5\nS2;1.234,5\nS3;< 0,5\n")
    assert [v for _, v, _ in cells(table, "Cu")] == [12.5, 1234.5, None]
    assert cells(table, "Cu")[2][2] == 0.5
    assert any("comma" in note for note in table.notes)


def test_a_comma_that_may_be_either_mark_sends_the_cell_to_quarantine(read: Read) -> None:
    table = read("Sample;Cu mg/kg\nS1;1,234\nS2;7\n")
    assert reasons(table) == [
        [2, "Cu mg/kg", "'1,234' may be a decimal comma or a thousands comma"]
    ]
    told = read("Sample;Cu mg/kg\nS1;1,234\nS2;7\n", cells={"decimal_mark": ","})
    assert told.values.column("Cu").to_pylist() == [1.234, 7]


def test_preamble_repeated_headings_summary_lines_and_remarks_are_set_aside(read: Read) -> None:
    table = read(
        "Certificate of analysis,,\nOrder 17,,\n\nSample,Cu ppm,Zn ppm\nS1,1,2\n"
        "Sample,Cu ppm,Zn ppm\nS2,3,4\n\nAverage,2,3\nStd Dev,1,1\n*** end of report ***,,\n"
    )
    assert table.facts.column("row").to_pylist() == [5, 7]
    assert dict(table.rows_set_aside) == {"repeated heading": 1, "summary line": 2, "remark": 1}


def test_a_certificate_with_unit_method_and_limit_rows(read: Read) -> None:
    rows: list[list[object]] = [
        ["Certificate C-1", None, None, None],
        [],
        ["Method", "QZ-FIRE1", "QZ-ACID2", "QZ-ACID2"],
        ["Sample", "Au", "Cu", "As"],
        ["Units", "ppb", "%", "ppm"],
        ["Lower limit", 5, 0.001, 2],
        ["Upper limit", 10000, 10, 500],
        ["S1", 12.5, 0.25, "<2"],
        ["S2", "<5", "0.3", "bdl"],
        ["S3", ">10000", 11, "over range"],
    ]
    table = read(rows, kind="lab")
    assert [a.key for a in table.analytes] == ["Au@QZ-FIRE1", "Cu@QZ-ACID2", "As@QZ-ACID2"]
    assert table.facts.column("row").to_pylist() == [8, 9, 10]
    assert cells(table, "Au@QZ-FIRE1")[0] == (QUANTIFIED, 0.0125, 0.005)
    assert cells(table, "Au@QZ-FIRE1")[1] == (BELOW, None, 0.005)
    assert cells(table, "As@QZ-ACID2")[1] == (BELOW, None, 2)
    assert cells(table, "As@QZ-ACID2")[2] == (ABOVE, None, 500)
    assert cells(table, "Cu@QZ-ACID2")[0][1] == 2500


def test_every_sheet_is_one_table_and_sheets_without_a_table_are_named(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for name, offset in (("Soil", 0), ("Rock", 100)):
        sheet = book.create_sheet(name)
        sheet.append(["Sample", "Cu ppm"])
        sheet.append([f"{name}-1", 1 + offset])
    book.active.append(["to whom it may concern"])
    path = tmp_path / "book.xlsx"
    book.save(path)
    settings = TableSettings(kind="lab", files=("x",))
    tables = read_file(path, "book.xlsx", settings, zone="UTC")
    assert [t.sheet for t in tables] == ["Soil", "Rock"]
    assert any("'Sheet' was not read" in note for note in tables[0].notes)
    (one,) = read_file(path, "b", TableSettings(kind="lab", files=("x",), sheet="Rock"), zone="UTC")
    assert one.values.column("Cu").to_pylist() == [101]
    with pytest.raises(ReconcileError, match="no sheet 'Sand'"):
        read_file(path, "b", TableSettings(kind="lab", files=("x",), sheet="Sand"), zone="UTC")


def test_cells_formatted_as_percent_are_percent(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Sample", "Cu %"])
    book.active.append(["S1", 0.05])
    book.active["B2"].number_format = "0.00%"
    path = tmp_path / "book.xlsx"
    book.save(path)
    (table,) = read_file(path, "b", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert table.values.column("Cu").to_pylist() == [50_000]


def test_parquet_is_read_like_text(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    pq.write_table(
        pa.table({"Sample": ["S1", "S2"], "Cu ppm": [1.5, None], "Zn ppm": ["<5", "7"]}), path
    )
    (table,) = read_file(path, "t", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert table.values.column("Cu").to_pylist() == [1.5, None]
    assert cells(table, "Zn") == [(BELOW, None, 5), (QUANTIFIED, 7, None)]
    assert table.facts.column("row").to_pylist() == [2, 3]


def test_a_long_table_fills_only_the_rows_own_element(read: Read) -> None:
    table = read(
        "Sample,Analyte,Prefix,Result,Unit,Error 2s,LOD\nS1,Cu,,12,ppm,2,5\nS1,Fe2O3,,5,%,0.2,\n"
        "S2,Copper,<,5,ppm,,\nS2,Unobtainium,,1,ppm,,\nS3,Cu,,1,oz/t,,\n",
    )
    assert [a.key for a in table.analytes] == ["Cu", "Fe"]
    assert cells(table, "Cu")[0] == (QUANTIFIED, 12, 5)
    assert cells(table, "Cu")[2] == (BELOW, None, 5)
    assert pd.isna(cells(table, "Cu")[1][0])
    assert table.values.column("Cu_err").to_pylist() == [1.0, None, None]
    assert [r[0] for r in reasons(table)] == [5, 6]


def test_limits_of_a_long_table_may_stand_in_its_error_column_or_in_the_settings(
    read: Read,
) -> None:
    text = "Sample,Element,Result,Error 2s\nS1,Cu,<LOD,6\nS1,Zn,10,3\nS2,Cu,ND,\n"
    table = read(text, unit="ppm", cells={"limit_from": "error column", "lower_limits": {"Cu": 4}})
    assert [lim for _, _, lim in cells(table, "Cu")] == [6, None, 4]
    assert table.values.column("Zn_err").to_pylist() == [None, 1.5, None]


def test_long_rows_of_other_elements_are_set_aside_where_only_some_are_asked(read: Read) -> None:
    table = read("Sample,Element,Result\nS1,Cu,1\nS1,Zn,2\n", unit="ppm", only=("Cu",))
    assert dict(table.rows_set_aside) == {"element not asked for": 1}
    assert [a.key for a in table.analytes] == ["Cu"]


def test_units_by_row_and_unknown_units(read: Read) -> None:
    table = read("Sample,Units,Cu,Zn,Pb\nS1,ppm,1,2,3\nS2,%,0.1,0.2,0.3\nS3,furlong,1,2,3\n")
    assert table.values.column("Cu").to_pylist() == [1, 1000]
    assert reasons(table) == [[4, "", "unit 'furlong': the unit is not known"]]


def test_ids_are_built_mended_and_kinds_recognised(read: Read) -> None:
    table = read(
        "upper,lower,tare,Cu ppm\n326,327,1,5\n326,327,,6\nBLANK,,,0\nSED,,,30\nskip,,,1\n",
        sample_id_template="c{upper}",
        sample_id_rules=[{"find": "^c", "replace": "C1-"}],
        kind_rules=[
            {"column": "upper", "pattern": "BLANK", "kind": "blank"},
            {"column": "upper", "pattern": "SED", "kind": "reference material", "code": "SED-4"},
            {"column": "upper", "pattern": "s.*", "kind": "leave out"},
            {"column": "tare", "pattern": "", "kind": "duplicate", "duplicate_kind": "pulp"},
        ],
    )
    facts = table.facts.to_pandas()
    assert facts["sample_id"].tolist() == ["C1-326", "C1-326", "BLANK", "SED", "C1-skip"]
    assert facts["sample_kind"].fillna("").tolist() == [
        "", "duplicate", "blank", "reference material", "leave out",
    ]  # fmt: skip
    assert facts.loc[3, "reference_code"] == "SED-4"
    assert facts.loc[1, ["duplicate_of", "duplicate_kind"]].tolist() == ["C1-326", "pulp"]


REGISTER = pd.DataFrame(
    {
        "sample_id": ["K-1", "K-2", "K-3", "K-4"],
        "lab_id": ["A1", "A2", "A3", "A3"],
        "sample_kind": [None, "blank", None, None],
        "sample_mass_g": [0.25, 0.0, 0.5, 0.5],
        "matrix": ["soil", "soil", "soil", "soil"],
    }
)


def test_lab_ids_are_looked_up_exactly_and_near_misses_only_suggested(read: Read) -> None:
    table = read(
        "Sample Id,Cu mg/L\nA1,0.5\nA01,0.5\nA2,0.1\nA3,1\nA9,1\n",
        kind="lab",
        register=REGISTER,
        look_up="lab_id",
        fixed={"digest_volume_ml": 100},
    )
    assert table.facts.column("sample_id").to_pylist() == ["K-1"]
    assert table.facts.column("matrix").to_pylist() == ["soil"]
    assert table.values.column("Cu").to_pylist() == [200]
    quarantine = table.quarantine.set_index("row")
    assert "The register has 'A1'" in quarantine.loc[3, "advice"]
    assert "mass above zero" in quarantine.loc[4, "reason"]
    assert "more than once" in quarantine.loc[5, "reason"]
    assert "not in the sample register" in quarantine.loc[6, "reason"]


def test_blanks_become_mass_fractions_only_by_a_stated_nominal_mass(read: Read) -> None:
    table = read(
        "Sample Id,Cu mg/L\nA1,0.5\nA2,0.1\n",
        kind="lab",
        register=REGISTER,
        look_up="lab_id",
        fixed={"digest_volume_ml": 100, "blank_mass_g": 0.2},
    )
    assert table.values.column("Cu").to_pylist() == [200, 50]


def test_tables_side_by_side_must_name_the_same_samples(read: Read) -> None:
    table = read("Sample,Cu ppm,,Sample,Zn ppm\nS1,1,,S1,2\nS2,3,,S9,4\n")
    assert table.facts.column("sample_id").to_pylist() == ["S1"]
    assert reasons(table)[0][0] == 3


def test_errors_are_one_sigma_or_left_out_with_a_note(read: Read) -> None:
    text = "Sample,Cu ppm,Cu Error\nS1,10,2\nS2,<LOD,6\n"
    table = read(text, cells={"limit_from": "error column", "error_sigma": 2})
    assert table.values.column("Cu_err").to_pylist() == [1, None]
    assert cells(table, "Cu")[1] == (BELOW, None, 6)
    unknown = read(text)
    assert "Cu_err" not in unknown.values.column_names
    assert any("standard deviations" in note for note in unknown.notes)
    assert any("without a known limit" in note for note in unknown.notes)


def test_an_error_in_another_unit_is_recalculated(read: Read) -> None:
    table = read("Sample,Fe %,Fe Error 1s (ppm)\nS1,5,200\n")
    assert table.values.column("Fe_err").to_pylist() == [pytest.approx(200)]


@pytest.mark.parametrize(
    ("rule", "codes"),
    [("value", [QUANTIFIED, QUANTIFIED]), ("below limit", [BELOW, QUANTIFIED]),
     ("refuse", [NO_RESULT, QUANTIFIED])],
)  # fmt: skip
def test_negative_results_mean_what_the_settings_say(
    read: Read, rule: str, codes: list[int]
) -> None:
    table = read("Sample,Cu ppm\nS1,-3\nS2,4\n", cells={"negative": rule})
    assert table.values.column("Cu_q").to_pylist() == codes
    assert bool(len(table.quarantine)) == (rule == "refuse")


def test_zeros_and_limits_from_the_settings(read: Read) -> None:
    table = read(
        "Sample,Cu ppm\nS1,0\nS2,4\n", cells={"zero": "below limit", "lower_limits": {"Cu": 2.5}}
    )
    assert cells(table, "Cu") == [(BELOW, None, 2.5), (QUANTIFIED, 4, 2.5)]


def test_impossible_results_go_to_quarantine_cell_by_cell(read: Read) -> None:
    table = read("Sample,Cu ppm,Zn ppm\nS1,2000000,5\nS2,abc,6\nS3,1,7\n")
    assert table.values.column("Zn").to_pylist() == [5, 6, 7]
    assert [r[:2] for r in reasons(table)] == [[2, "Cu ppm"], [3, "Cu ppm"]]
    assert {"row": 2, "key": "Cu", "text": "2000000"} in table.texts.to_pylist()


def test_a_row_that_adds_up_to_more_than_the_whole_is_refused(read: Read) -> None:
    table = read("Sample,SiO2 %,Al2O3 %,Fe %\nS1,70,20,5\nS2,70,30,5\n")
    assert table.facts.num_rows == 1
    assert "102 %" in reasons(table)[0][2]


def test_xrf_results_of_light_elements_are_refused_cell_by_cell(read: Read) -> None:
    text = "Sample,Technique,Li ppm,Cu ppm\nS1,XRF,5,6\nS2,LIBS,7,8\n"
    table = read(text, fixed={})
    assert cells(table, "Li")[0][0] == NO_RESULT
    assert cells(table, "Li")[1][1] == 7
    assert table.facts.num_rows == 2
    assert any("LIBS rows name no spot class" in note for note in table.notes)


def test_targeted_spots_are_flagged(read: Read) -> None:
    table = read(
        "Sample,Spot class,Shot,Li ppm\nS1,targeted,1,5\nS1,Random,2,6\nS1,wild,3,7\n",
        fixed={"technique": "LIBS"},
    )
    assert table.facts.column("spot_class").to_pylist() == ["targeted", "random"]
    assert any("targeted" in note for note in table.notes)
    assert reasons(table)[0][2].startswith("the spot class")


def test_rows_without_id_or_results_or_with_too_many_cells_are_refused(read: Read) -> None:
    table = read("Sample,Cu ppm\n,5\nS2,\nS3,1,5\nS4,7\n")
    assert table.facts.column("sample_id").to_pylist() == ["S4"]
    assert [r[0] for r in reasons(table)] == [2, 3, 4]


def test_a_file_cut_in_its_last_row_loses_only_that_row(read: Read) -> None:
    table = read("Sample,Cu ppm,Zn ppm\nS1,5,6\nS2,7")
    assert table.facts.column("sample_id").to_pylist() == ["S1"]
    assert "cut off" in reasons(table)[0][2]


def test_line_numbers_are_true_after_quoted_line_breaks_and_blank_lines(read: Read) -> None:
    table = read('Sample,Note,Cu ppm\n"S1","two\nlines",5\n\n\nS2,x,<bad\n')
    assert table.facts.column("row").to_pylist() == [2, 6]
    assert reasons(table)[0][:2] == [6, "Cu ppm"]


def test_markup_and_formulas_stay_text(read: Read) -> None:
    table = read("Sample,Cu ppm\n=1+1,5\n<b>S</b>,6\n'; DROP TABLE x; --,7\n../../x,8\n")
    assert table.facts.column("sample_id").to_pylist() == [
        "=1+1", "<b>S</b>", "'; DROP TABLE x; --", "../../x",
    ]  # fmt: skip


def test_date_and_time_columns_are_joined(read: Read) -> None:
    table = read("Sample,Date,Time,Cu ppm\nS1,2026-10-01,14:30,5\nS2,never,15:00,6\n")
    assert table.facts.column("measured_at").to_pylist()[0].isoformat() == (
        "2026-10-01T14:30:00+00:00"
    )
    assert reasons(table)[0][:2] == [3, "Date Time"]
    assert table.facts.num_rows == 2


def test_register_custody_aliases_and_reference_materials_have_facts_only(read: Read) -> None:
    register = read("Sample,Matrix,Collected,Mass kg\nS1,soil,2026-10-01,1.5\n,soil,,\n",
                    kind="sample register")  # fmt: skip
    assert register.facts.column("sample_mass_g").to_pylist() == [1500]
    assert register.values.num_columns == 0
    custody = read(
        "Sample,Event,Time,By\nS1; S2,collected,2026-10-01 08:00,A\nS1,sealed,,A\n"
        ",opened,2026-10-01,B\n",
        kind="custody",
    )
    assert custody.facts.num_rows == 1
    assert [r[2] for r in reasons(custody)] == [
        "no date and time", "neither a sample nor a dispatch is named",
    ]  # fmt: skip
    aliases = read("Written,Sample,Entered by\nS-01,S1,A\n", kind="aliases")
    assert aliases.facts.column("written_id").to_pylist() == ["S-01"]


def test_reference_materials_are_read_long_and_wide(read: Read) -> None:
    long = read(
        "CRM,Element,Value,Uncertainty,Unit,k\nR1,Cu,212,10,mg/kg,2\nR1,Fe2O3,5,0.1,%,2\n",
        kind="reference materials",
    )
    wide = read(
        "CRM,Cu (mg/kg),Cu uncertainty,Fe2O3 (%),Fe2O3 uncertainty (%),k\nR1,212,10,5,0.1,2\n",
        kind="reference materials",
    )
    for table in (long, wide):
        facts = table.facts.to_pandas()
        assert facts["element"].tolist() == ["Cu", "Fe"]
        assert facts["certified_mg_kg"].tolist() == [212, pytest.approx(34971.5, rel=1e-5)]
        assert facts["uncertainty_mg_kg"].tolist() == [10, pytest.approx(699.43, rel=1e-4)]
        assert facts["coverage_factor"].tolist() == [2, 2]


@pytest.mark.parametrize(
    "content",
    [
        "CRM,Element,Value,Uncertainty,Unit,k\nR1,Cu,212,about 10,mg/kg,2\nR1,Zn,5,1,mg/kg,2\n",
        "CRM,Cu (mg/kg),Cu uncertainty,Zn (mg/kg),Zn uncertainty,k\nR1,212,about 10,5,1,2\n",
    ],
)  # fmt: skip
def test_an_uncertainty_of_a_reference_material_that_can_not_be_read_is_told(
    read: Read, content: str
) -> None:
    table = read(content, kind="reference materials")
    facts = table.facts.to_pandas()
    assert facts["certified_mg_kg"].tolist() == [212, 5]
    assert facts["uncertainty_mg_kg"].isna().tolist() == [True, False]
    assert list(table.quarantine["found"]) == ["about 10"]


@pytest.mark.parametrize(
    ("content", "settings", "message"),
    [
        (b"", {}, "empty"),
        (b"\x00\x01\x02\x03" * 50, {}, "binary"),
        (b"%PDF-1.7 x", {}, "a PDF"),
        (b"\xd0\xcf\x11\xe0" + b"x" * 99, {}, "old or encrypted"),
        (b"\x1f\x8b" + b"x" * 99, {}, "compressed"),
        (b"PK\x03\x04" + b"x" * 99, {}, "damaged"),
        (b"PAR1" + b"x" * 99, {}, "damaged"),
        (codecs.BOM_UTF16_LE + b"a", {}, "damaged"),
        (b"   \n \n", {}, "no text"),
        (b"alpha,beta\n1,2\n", {}, "no row of headings"),
        (b"Sample,Cu\nS1,5\n", {}, "name no unit"),
        (b"Sample,Cu ppm,Cu ppm\nS1,5,6\n", {}, "both hold"),
        (b"Where,Cu ppm\nS1,5\n", {}, "no column holds the sample id"),
        (b"Sample,Cu\nS1,5\n", {"unit": "stone"}, "unit 'stone'"),
        (b"Sample,Au\nS1,5\n", {"unit": "oz/t"}, "which ton"),
        (b"Sample,Cu ppm\nS1,5\n", {"columns": {"Cu ppm": "nonsense"}}, "no known meaning"),
        (b"Sample,Cu ppm\nS1,5\n", {"fixed": {"nonsense": 1}}, "no fact"),
        (b"Sample,Cu ppm\nS1,5\n", {"sample_id_template": "{nope}"}, "template"),
        (b"Sample,Cu ppm\nS1,5\n", {"first_row": 9}, "first_row"),
        (b"Sample,Cu ppm\nS1,5\n", {"layout": "long"}, "long table"),
        (b"Sample,Cu ppm\nS1,5\n", {"look_up": "lab_id"}, "look_up"),
        (b'Sample,Cu ppm\n"S1,5\n' + b"x" * 200_000, {}, "quotation mark"),
        (("Sample," + ",".join(f"c{i}" for i in range(10_000)) + "\n").encode(), {}, "columns"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_read_say_why_in_one_message(
    read: Read, content: bytes, settings: dict[str, Any], message: str
) -> None:
    with pytest.raises(ReconcileError, match=message) as caught:
        read(content, **settings)
    assert caught.value.advice
    assert "Traceback" not in str(caught.value)


def test_missing_files_and_folders_are_named(tmp_path: Path) -> None:
    table = TableSettings(kind="field", files=("x",))
    with pytest.raises(ReconcileError, match="does not exist"):
        read_file(tmp_path / "none.csv", "none.csv", table, zone="UTC")
    with pytest.raises(ReconcileError, match="folder"):
        read_file(tmp_path, "here", table, zone="UTC")


def test_a_quotation_mark_that_is_never_closed_loses_nothing_silently(read: Read) -> None:
    table = read('Sample,Cu ppm\nS1,1\n"S2,2\nS3,3\nS4,4\n')
    assert table.facts.column("sample_id").to_pylist() == ["S1"]
    assert [r[0] for r in reasons(table)] == [3, 4, 5]
    table = read('Sample,Note,Cu ppm\n"S1,a,1\nS2,b,2\nS3",c,3\nS4,5" core,4\n')
    assert table.facts.column("sample_id").to_pylist() == ["S4"]
    assert [r[0] for r in reasons(table)] == [2, 3, 4]
    assert all("quotation mark" in r[2] for r in reasons(table))
    with pytest.raises(ReconcileError, match="never closed"):
        read('Sample,Cu ppm\nS1,1\n"S2,2\n' + "S3,3\n" * 60)


def test_formulas_without_results_are_refused_not_read_as_empty(read: Read) -> None:
    table = read([["Sample", "Cu ppm", "Zn ppm"], ["S1", "=1+1", 5], ["S2", 6, 7]])
    assert reasons(table) == [
        [2, "Cu ppm", "the cell holds a formula whose result was never computed"]
    ]
    assert cells(table, "Cu") == [(NO_RESULT, None, None), (QUANTIFIED, 6, None)]
    table = read([["Sample", "Cu ppm"], ["=A1", 5], ["S2", 6]])
    assert table.facts.column("sample_id").to_pylist() == ["S2"]
    assert reasons(table)[0][:2] == [2, ""]


def test_numbers_shown_with_leading_zeros_keep_them(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Sample", "Cu ppm"])
    book.active.append([123, 5])
    book.active["A2"].number_format = "00000"
    book.active.sheet_state = "visible"
    path = tmp_path / "book.xlsx"
    book.save(path)
    (table,) = read_file(path, "b", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert table.facts.column("sample_id").to_pylist() == ["00123"]


def test_a_plain_date_of_a_certificate_is_asked_about(read: Read) -> None:
    table = read("Sample,Date,Cu ppm\nS1,2026-10-01,1\n", kind="lab")
    assert [c.role for c in table.columns] == ["fact", "unclear", "value"]
    told = read("Sample,Date,Cu ppm\nS1,2026-10-01,1\n", kind="lab",
                columns={"Date": "analysed_at"})  # fmt: skip
    assert told.facts.column("analysed_at").to_pylist()[0].day == 1


def test_a_label_above_the_ids_of_a_certificate_heads_the_id_column(read: Read) -> None:
    rows: list[list[object]] = [
        [None, "W-21", "ICP-61", "ICP-61"],
        ["Analyte", "Recvd Wt.", "Ag", "Al"],
        ["DESCRIPTION", "kg", "ppm", "%"],
        ["LOR", 0.02, 0.5, 0.01],
        ["S1", 1.2, "<0.5", 7.25],
    ]
    table = read(rows, kind="lab")
    assert table.facts.column("sample_id").to_pylist() == ["S1"]
    assert cells(table, "Ag@ICP-61") == [(BELOW, None, 0.5)]
    assert table.values.column("Al@ICP-61").to_pylist() == [72500]


def test_the_name_of_the_id_column_may_stand_in_the_row_of_units(read: Read) -> None:
    rows: list[list[object]] = [
        ["Laboratory"], ["Client", "X"], ["Date", "2026-10-01"], ["Samples", 3], [],
        [None, "Cu", "Fe"], ["Sample ID", "ppm", "%"], [None, "ICP-OES", "XRF"], ["A", 1, 2],
    ]  # fmt: skip
    table = read(rows, kind="lab", columns={"column 1": "sample_id"})
    assert table.facts.column("sample_id").to_pylist() == ["A"]
    assert [a.key for a in table.analytes] == ["Cu@ICP-OES", "Fe@XRF"]
    assert table.quarantine.empty
    assert read(rows, kind="lab").facts.equals(table.facts)


def test_units_and_errors_may_stand_below_a_spread_element(read: Read) -> None:
    rows: list[list[object]] = [
        ["Reading", "Sample", "Cu", None, "Zn", None],
        [None, None, "ppm", "±2σ", "ppm", "±2σ"],
        [1, "A", 5, 1, 6, 2],
    ]
    table = read(rows)
    assert table.values.column("Cu").to_pylist() == [5]
    assert table.values.column("Zn_err").to_pylist() == [1]


def test_an_export_that_stands_in_the_file_twice_is_noted(read: Read) -> None:
    table = read("Reading No,Sample,Cu ppm,Zn ppm\n1,A,5,6\n2,A,5,6\n1,A,5,6\n")
    assert any("1 rows repeat an earlier row" in note for note in table.notes)
    long = read("Reading No,Sample,Element,Result\n1,A,Cu,5\n1,A,Zn,5\n", unit="ppm")
    assert not long.notes


def test_a_reading_by_another_operator_repeats_none(read: Read) -> None:
    rows = "Sample,Reading No,Time,Operator,Cu ppm,Zn ppm\n" + "".join(
        f"S1,1,2026-10-01 09:00,{operator},12,15\n" for operator in "abb"
    )
    (told,) = [note for note in read(rows).notes if "repeat an earlier row" in note]
    assert told.startswith("1 rows")


@pytest.mark.parametrize("first", ["Sample,S1,S2,S3", "Element,101,102,103", ",S34,S35,S36"])
@pytest.mark.parametrize("unit", ["", "mg/kg"])
def test_a_table_that_lies_on_its_side_is_told_in_plain_words(
    read: Read, first: str, unit: str
) -> None:
    rows = "Date,2026-10-01,2026-10-01,2026-10-02\nCu,12,<5,14\nZn,1,2,3\nFe2O3,4,5,6\nPb,1,,2\n"
    with pytest.raises(ReconcileError, match=r"lies on its side: .*'Cu', 'Zn', 'Fe2O3'") as told:
        read(f"{first}\n{rows}", kind="lab", unit=unit)
    assert "Turn it" in told.value.advice


def test_pure_metals_as_samples_are_no_table_on_its_side(read: Read) -> None:
    table = read("Sample,Cu %,Zn %,Pb %\nCu,99.9,0.01,0.01\nZn,0.1,99,0.2\nPb,0.1,0.1,99\n")
    assert table.facts.column("sample_id").to_pylist() == ["Cu", "Zn", "Pb"]


def test_side_by_side_tables_must_still_agree_where_another_column_may_hold_the_ids(
    read: Read,
) -> None:
    table = read(
        "Sample,Cu ppm,Label,Sample,Zn ppm\nS1,1,a,S1,2\nS2,3,a,S3,4\n",
        columns={"Label": "ignore"},
    )
    assert [row for row, _, _ in reasons(table)] == [3]
    told = read("Sample,Cu ppm,Sample Code,Sample,Zn ppm\nS1,1,a,S1,2\nS2,3,a,S3,4\n")
    assert [row for row, _, _ in reasons(told)] == [3]
