"""The page for the screen: one file, nothing from outside, safe text, tables that sort."""

import base64
import hashlib
import html
import io
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PdfReader

from reconcile.base.characters import visible
from reconcile.judgement.criterion_words import written
from reconcile.reporting import words
from reconcile.reporting.document import audit, quality, screen
from tests.reporting import builder, test_quality

CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium to open it with")
VOID = {"meta", "input", "br", "line", "rect"}


@pytest.fixture(scope="module")
def mixed():
    return builder.mixed()


@pytest.fixture(scope="module")
def page(mixed):
    return screen.page(mixed).decode("utf-8")


class Checker(HTMLParser):
    """Elements that are open, all that were seen, all attributes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: dict[str, int] = {}
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture(scope="module")
def checked(page):
    checker = Checker()
    checker.feed(page)
    checker.close()
    assert checker.open == []
    return checker


def test_nothing_is_loaded_from_anywhere(checked):
    for tag, name, value in checked.attributes:
        assert name not in ("src", "srcset", "action", "style", "data", "xlink:href"), (tag, name)
        assert not name.startswith("on"), (tag, name)
        if name == "href":
            assert value.startswith("#"), value
    assert checked.tags["script"] == checked.tags["style"] == 1
    assert not {"img", "iframe", "object", "link", "base", "form"} & set(checked.tags)


def test_the_policy_names_the_digests_of_the_one_style_and_the_one_script(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        content = re.search(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)[1]
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy


@pytest.mark.parametrize("sample", builder.HOSTILE_IDS)
def test_hostile_ids_are_shown_as_they_were_written_and_never_as_markup(checked, page, sample):
    assert visible(sample) in "".join(checked.text)
    assert builder.MARKUP_ID not in page
    assert "<img" not in page


def test_every_figure_verdict_criterion_and_setting_of_the_printed_report_is_there(page, mixed):
    text = html.unescape(re.sub(r"<[^>]+>", "\n", page)).replace("−", "-")
    for x in mixed.results:
        assert visible(x.stratum.label) in text
        for criterion in map(written, x.verdict.criteria):
            assert criterion.found.replace("−", "-") in text
        for sentence in x.sentences:
            assert visible(sentence).replace("−", "-") in text
    for setting in mixed.settings:
        assert setting.name in text
    for title in words.SECTIONS.values():
        if title not in (
            words.STRATA,
            words.SMALL_STRATA,
            words.MORE_PLOTS,
            words.CONFORMITY,
        ):
            assert title in text


def test_each_mark_tells_its_sample_and_its_values(page, mixed):
    first = mixed.results[0]
    section = re.search(r'<section id="stratum-1".*?</section>', page, re.DOTALL)[0]
    titles = re.findall(r"<title>(.*?)</title>", section)
    used = first.pairs.loc[first.pairs["used"], "sample_id"]
    for sample in used:
        assert sum(t.startswith(f"{sample} (used)") for t in titles) == 2
    assert section.count("<svg") == 3  # the third: chance of a wrong call at the one level
    assert words.PLOT_CHANCE in section
    assert sum("at most" in t for t in titles) == 16


def test_equal_values_give_equal_bytes(mixed, page):
    assert screen.page(builder.mixed()).decode() == page


def dump(path: Path, folder: Path, script: str = "") -> str:
    """The page's elements after its script (and ``script``) ran."""
    if script:
        text = path.read_text(encoding="utf-8")
        content = re.search(r"<script>(.*?)</script>", text, re.DOTALL)[1]
        new = content + script
        digest = [
            "sha256-" + base64.b64encode(hashlib.sha256(c.encode()).digest()).decode()
            for c in (content, new)
        ]
        text = text.replace(content, new).replace(*digest)
        path = folder / "probed.html"
        path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu",
         "--disable-background-networking", f"--user-data-dir={folder / 'profile'}",
         "--enable-logging=stderr", "--dump-dom", path.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    console = done.stderr.decode("utf-8", "replace")
    assert "Refused to" not in console
    assert "Uncaught" not in console
    assert "violates the following" not in console
    return done.stdout.decode("utf-8")


@browser
def test_a_browser_runs_the_script_from_a_file_and_refuses_nothing(page, tmp_path):
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    dom = dump(file, tmp_path)
    assert dom.count('<button type="button">') > 20


@browser
def test_tables_sort_by_number_and_filter_by_words(page, tmp_path):
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    probe = """
const t = document.querySelector("#verdicts table");
t.tHead.rows[0].cells[2].querySelector("button").click();
const column = [...t.tBodies[0].rows].map((r) => r.cells[2].textContent);
document.body.dataset.sorted = column.join(",");
const q = document.querySelector("#quarantine input");
q.value = "no such words"; q.dispatchEvent(new Event("input"));
const rows = [...document.querySelectorAll("#quarantine tbody tr")];
document.body.dataset.none = rows.filter((r) => !r.hidden).length;
q.value = "_x0041_"; q.dispatchEvent(new Event("input"));
document.body.dataset.some = rows.filter((r) => !r.hidden).length;
"""
    dom = dump(file, tmp_path, probe)
    numbers = [int(v) for v in re.search(r'data-sorted="([^"]*)"', dom)[1].split(",")]
    assert numbers == sorted(numbers)
    assert len(set(numbers)) > 2
    assert 'data-none="0"' in dom
    shown = int(re.search(r'data-some="(\d+)"', dom)[1])
    assert 0 < shown < 70


def outline_of(content: bytes) -> list[str]:
    """Titles of the printed report's bookmarks, all levels."""

    def walk(items) -> list[str]:
        found = []
        for item in items:
            found += walk(item) if isinstance(item, list) else [str(item.title)]
        return found

    return walk(PdfReader(io.BytesIO(content)).outline)


def headings_of(page: str) -> list[str]:
    found = re.findall(r"<(?:h1|h2|h3|summary)\b[^>]*>(.*?)</(?:h1|h2|h3|summary)>", page)
    return [html.unescape(text) for text in found]


def missing_sections(value) -> list[str]:
    page = screen.page(value).decode("utf-8")
    there = {visible(title) for title in headings_of(page)}
    # The plots for which printed pages have no room stand with their strata.
    return [
        t
        for t in outline_of(audit.audit(value))
        if t not in there | {words.MORE_PLOTS, words.AUDIT}
    ]


def with_controls():
    """Each kind of stratum, with charts, rates and stages of controls."""
    wild = [100.0 + (i % 2) for i in range(20)]
    wild[12] = 130.0
    quiet = [90.0 + (i % 3) for i in range(14)]
    charts = [test_quality.chart(values) for values in (wild, quiet)]
    return replace(builder.mixed(), controls=test_quality.record(*charts))


def test_the_page_has_every_section_of_the_printed_report():
    value = with_controls()
    assert len(outline_of(audit.audit(value))) > 20
    assert missing_sections(value) == []
    page = screen.page(value).decode("utf-8")
    for title in (words.Q_MAY_I, words.Q_HOW_WRONG, words.Q_LEFT_OUT, words.Q_CHANGED,
                  words.Q_NEXT, words.RATES, words.STAGES, words.PUT_BACK):  # fmt: skip
        assert title in headings_of(page)


@pytest.mark.slow
def test_the_examples_page_has_every_section_of_its_printed_report(demo_month):
    assert missing_sections(demo_month[0]) == []


def test_every_result_of_a_chart_tells_time_and_value_and_which_rule_it_completes():
    value = with_controls()
    page = screen.page(value).decode("utf-8")
    section = re.search(r'<section id="control-charts".*?</section>', page, re.DOTALL)[0]
    drawings = re.findall(r"<svg.*?</svg>", section, re.DOTALL)
    assert len(drawings) == len(value.controls.charts)
    for chart, drawing in zip(quality.kept(value.controls.charts), drawings, strict=True):
        told = [html.unescape(t) for t in re.findall(r"<title>(.*?)</title>", drawing)]
        assert len(told) == len(chart.values)
        for i, text in enumerate(told):
            assert chart.times[i] in text
            for rule, places, _ in chart.rules:
                assert (rule in text) == (i in places)


def test_every_recovery_is_a_mark_that_tells_its_control():
    value = builder.mixed()
    found = [c for c in value.quality if c.kind == "reference material" and c.recovery > 0]
    assert found
    page = screen.page(value).decode("utf-8")
    section = re.search(r'<section id="quality".*?</section>', page, re.DOTALL)[0]
    told = re.findall(r"<title>(.*?)</title>", section)
    assert len(told) == len(found)


@browser
def test_a_browser_draws_the_charts_of_controls(tmp_path):
    file = tmp_path / "report.html"
    file.write_bytes(screen.page(with_controls()))
    probe = """
const boxes = [...document.querySelectorAll("#control-charts svg")].map((s) => s.getBBox());
document.body.dataset.charts = boxes.filter((b) => b.width > 100 && b.height > 50).length;
document.body.dataset.wide = document.documentElement.scrollWidth <= window.innerWidth;
"""
    dom = dump(file, tmp_path, probe)
    assert f'data-charts="{len(with_controls().controls.charts)}"' in dom
    assert 'data-wide="true"' in dom
