"""The page for the screen: one file, nothing from outside, safe text, tables that sort."""

import base64
import hashlib
import html
import importlib.util
import io
import itertools
import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from reconcile.base.characters import visible
from reconcile.base.model.release import Reconciliation
from reconcile.judgement.criterion_words import written
from reconcile.reporting import words
from reconcile.reporting.document import audit, quality, screen
from reconcile.reporting.manner import styled
from tests.reporting import builder, test_overview, test_quality
from tests.reporting.test_ten_questions import questions

CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium to open it with")
#: The package that carries the checker; ``.ci/run`` installs it where it can be had.
CHECKER = importlib.util.find_spec("axe_playwright_python")
VOID = {"meta", "input", "br", "line"}


@pytest.fixture(scope="module")
def mixed() -> Reconciliation:
    return builder.mixed()


@pytest.fixture(scope="module")
def page(mixed: Reconciliation) -> str:
    return screen.page(mixed).decode("utf-8")


class Checker(HTMLParser):
    """Elements that are open, all that were seen, all attributes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: dict[str, int] = {}
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture(scope="module")
def checked(page: str) -> Checker:
    checker = Checker()
    checker.feed(page)
    checker.close()
    assert checker.open == []
    return checker


def test_nothing_is_loaded_from_anywhere(checked: Checker) -> None:
    for tag, name, value in checked.attributes:
        assert name not in ("src", "srcset", "action", "style", "data", "xlink:href"), (tag, name)
        assert not name.startswith("on"), (tag, name)
        if name == "href":
            assert value.startswith("#"), value
    assert checked.tags["script"] == checked.tags["style"] == 1
    assert not {"img", "iframe", "object", "link", "base", "form"} & set(checked.tags)


def test_the_policy_names_the_digests_of_the_one_style_and_the_one_script(page: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        content = re.search(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)[1]
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy


@pytest.mark.parametrize("sample", builder.HOSTILE_IDS)
def test_hostile_ids_are_shown_as_they_were_written_and_never_as_markup(
    checked: Checker, page: str, sample: str
) -> None:
    assert visible(sample) in "".join(checked.text)
    assert builder.MARKUP_ID not in page
    assert "<img" not in page


def test_every_figure_verdict_criterion_and_setting_of_the_printed_report_is_there(
    page: str, mixed: Reconciliation
) -> None:
    text = html.unescape(re.sub(r"<[^>]+>", "\n", page)).replace("−", "-")
    for x in mixed.results:
        assert visible(x.stratum.label) in text
        for criterion in map(written, x.verdict.criteria):
            assert styled(criterion.found).replace("−", "-") in text
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


def test_each_mark_tells_its_sample_and_its_values(page: str, mixed: Reconciliation) -> None:
    first = mixed.results[0]
    section = re.search(r'<section id="stratum-1".*?</section>', page, re.DOTALL)[0]
    assert words.HOVER in section
    titles = re.findall(r"<title>(.*?)</title>", section)
    used = first.pairs.loc[first.pairs["used"], "sample_id"]
    for sample in used:
        assert sum(t.startswith(f"{sample} (used)") for t in titles) == 2
    assert section.count("<svg") == 3  # the third: chance of a wrong call at the one level
    assert words.PLOT_CHANCE_CORRECTED in section  # its verdict is of corrected values
    assert sum("at most" in t for t in titles) == 16


def test_equal_values_give_equal_bytes(mixed: Reconciliation, page: str) -> None:
    assert screen.page(builder.mixed()).decode() == page


def dump(path: Path, folder: Path, script: str = "") -> str:
    """The page's elements after its script (and ``script``) ran, and what they wait for."""
    if script:
        text = path.read_text(encoding="utf-8")
        content = re.search(r"<script>(.*?)</script>", text, re.DOTALL)[1]
        new = content + script
        digest = [
            "sha256-" + base64.b64encode(hashlib.sha256(c.encode()).digest()).decode()
            for c in (content, new)
        ]
        text = text.replace(content, new).replace(digest[0], digest[1])
        path = folder / "probed.html"
        path.write_text(text, encoding="utf-8")
    assert CHROMIUM is not None
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu",
         "--disable-background-networking", f"--user-data-dir={folder / 'profile'}",
         "--enable-logging=stderr", "--virtual-time-budget=10000", "--dump-dom", path.as_uri()],
        capture_output=True, timeout=300, check=True,
    )  # fmt: skip
    console = done.stderr.decode("utf-8", "replace")
    assert "Refused to" not in console
    assert "Uncaught" not in console
    assert "violates the following" not in console
    return done.stdout.decode("utf-8")


@browser
def test_a_browser_runs_the_script_from_a_file_and_refuses_nothing(
    page: str, tmp_path: Path
) -> None:
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    dom = dump(file, tmp_path)
    assert dom.count('<button type="button">') > 20


@browser
def test_tables_sort_by_number_and_filter_by_words(page: str, tmp_path: Path) -> None:
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

    def walk(items: list[Any]) -> list[str]:
        found = []
        for item in items:
            found += walk(item) if isinstance(item, list) else [str(item.title)]
        return found

    return walk(PdfReader(io.BytesIO(content)).outline)


def headings_of(page: str) -> list[str]:
    found = re.findall(r"<(?:h[1-4]|summary)\b[^>]*>(.*?)</(?:h[1-4]|summary)>", page)
    shown = re.compile(r'<span class="mark" aria-hidden="true">.</span> ')
    return [html.unescape(shown.sub("", text)) for text in found]


def missing_sections(value: Reconciliation) -> list[str]:
    page = screen.page(value).decode("utf-8")
    there = {visible(title) for title in headings_of(page)}
    # The plots for which printed pages have no room stand with their strata.
    return [
        t
        for t in outline_of(audit.audit(value))
        if t not in there | {words.MORE_PLOTS, words.AUDIT}
    ]


def with_controls() -> Reconciliation:
    """Each kind of stratum, with charts, rates and stages of controls."""
    wild = [100.0 + (i % 2) for i in range(20)]
    wild[12] = 130.0
    quiet = [90.0 + (i % 3) for i in range(14)]
    charts = [test_quality.chart(values) for values in (wild, quiet)]
    return replace(builder.mixed(), controls=test_quality.record(*charts))


def test_the_page_has_every_section_of_the_printed_report() -> None:
    value = with_controls()
    assert len(outline_of(audit.audit(value))) > 20
    assert missing_sections(value) == []
    page = screen.page(value).decode("utf-8")
    for title in (words.Q_MAY_I, words.Q_HOW_WRONG, words.Q_LEFT_OUT, words.Q_CHANGED,
                  words.Q_NEXT, words.RATES, words.STAGES, words.PUT_BACK):  # fmt: skip
        assert title in headings_of(page)


@pytest.mark.slow
def test_the_examples_page_has_every_section_of_its_printed_report(
    demo_month: tuple[Reconciliation, dict[str, bytes]],
) -> None:
    assert missing_sections(demo_month[0]) == []


def test_every_result_of_a_chart_tells_time_and_value_and_which_rule_it_completes() -> None:
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


def test_every_recovery_is_a_mark_that_tells_its_control() -> None:
    value = builder.mixed()
    found = [c for c in value.quality if c.kind == "reference material" and c.recovery > 0]
    assert found
    page = screen.page(value).decode("utf-8")
    section = re.search(r'<section id="quality".*?</section>', page, re.DOTALL)[0]
    told = re.findall(r"<title>(.*?)</title>", section)
    assert len(told) == len(found)


@pytest.mark.slow
@browser
def test_a_browser_draws_the_charts_of_controls(tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_bytes(screen.page(with_controls()))
    probe = """
for (const part of document.querySelectorAll("details")) part.open = true;
const boxes = [...document.querySelectorAll("#control-charts svg")].map((s) => s.getBBox());
document.body.dataset.charts = boxes.filter((b) => b.width > 100 && b.height > 50).length;
document.body.dataset.wide = document.documentElement.scrollWidth <= window.innerWidth;
"""
    dom = dump(file, tmp_path, probe)
    assert f'data-charts="{len(with_controls().controls.charts)}"' in dom
    assert 'data-wide="true"' in dom


# ---- what ten questions ask, where the eye finds it ----------------------------------


@browser
def test_ten_questions_are_answered_at_the_top_of_the_page_before_anybody_scrolls_far(
    page: str, tmp_path: Path
) -> None:
    # common practice, no source: what a turn or two of the wheel brings is found without searching
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    places = [told for _, _, told in questions()]
    probe = f"""
const asked = {json.dumps(places)};
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const seen = [];
for (let n = walk.nextNode(); n; n = walk.nextNode()) {{
  const area = document.createRange(); area.selectNodeContents(n);
  const box = area.getBoundingClientRect();
  if (box.width && box.height) seen.push([n.textContent.replace(/\\s+/g, " "), box.top]);
}}
document.body.dataset.tops = JSON.stringify(asked.map((words) => Math.min(...seen
  .filter(([text]) => words.some((w) => text.includes(w))).map(([, top]) => top))));
document.body.dataset.screen = window.innerHeight;
"""
    dom = dump(file, tmp_path, probe)
    tops = json.loads(html.unescape(re.search(r'data-tops="([^"]*)"', dom)[1]))
    height = float(re.search(r'data-screen="(\d+)"', dom)[1])
    assert all(top is not None for top in tops), tops
    assert max(tops) <= 2.5 * height, (tops, height)


# ---- for who uses no mouse, or does not see the page ---------------------------------


@pytest.mark.slow
@browser
@pytest.mark.skipif(CHECKER is None, reason="axe-playwright-python is not installed")
def test_a_checker_of_access_finds_nothing_serious_on_the_opened_page(
    page: str, tmp_path: Path
) -> None:
    # axe-core: rules after the Web Content Accessibility Guidelines 2.2 (W3C, 2023)
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    rules = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    probe = f"""
{rules}
for (const part of document.querySelectorAll("details")) part.open = true;
axe.run(document, {{resultTypes: ["violations"]}}).then((r) => {{
  document.body.dataset.passed = r.passes.length;
  document.body.dataset.broken = JSON.stringify(
    r.violations.map((v) => [v.impact, v.id, v.nodes[0].html]));
}});
"""
    dom = dump(file, tmp_path, probe)
    assert int(re.search(r'data-passed="(\d+)"', dom)[1]) >= 30
    broken = json.loads(html.unescape(re.search(r'data-broken="([^"]*)"', dom)[1]))
    assert [x for x in broken if x[0] in ("serious", "critical")] == []


def elements_of(page: str) -> list[tuple[str, dict[str, str]]]:
    found: list[tuple[str, dict[str, str]]] = []

    class Seen(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.append((tag, {name: value or "" for name, value in attrs}))

    Seen().feed(page)
    return found


def pages() -> dict[str, str]:
    value = with_controls()
    return {
        "report": screen.page(value).decode(),
        "releases": test_overview.page_of(test_overview.two_months()).decode(),
    }


@pytest.fixture(scope="module", params=["report", "releases"])
def either(request: pytest.FixtureRequest) -> str:
    return pages()[request.param]


@pytest.mark.slow
def test_headings_go_down_one_level_at_a_time(either: str) -> None:
    levels = [int(tag[1]) for tag, _ in elements_of(either) if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    steps = [(a, b) for a, b in itertools.pairwise(levels) if b > a + 1]
    assert steps == []


def test_every_drawing_control_and_link_has_a_name(either: str) -> None:
    open_links = re.findall(r"<a\b([^>]*)>(.*?)</a>", either, re.DOTALL)
    assert open_links
    for attributes, inside in open_links:
        text = re.sub(r"<title>.*?</title>|<[^>]+>", "", inside).strip()
        assert text or "aria-label" in attributes, attributes
    for tag, attributes in elements_of(either):
        if tag == "svg":
            assert len(attributes["aria-label"]) > 20
            assert attributes["role"] in ("img", "group")
        if tag == "html":
            assert attributes["lang"]
        if tag == "th":
            assert attributes["scope"] == "col"
    assert len(re.findall(r"<(?:select|input)\b", either)) == len(
        re.findall(r"<label>[^<]*<(?:select|input)\b", either)
    )
    buttons = re.findall(r"<button\b[^>]*>(.*?)</button>", either)
    assert all(text.strip() for text in buttons)


def test_names_of_places_are_used_once_and_every_link_within_finds_its_place(either: str) -> None:
    ids = [a["id"] for _, a in elements_of(either) if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, attributes in elements_of(either):
        if tag == "a" and attributes["href"].startswith("#"):
            assert attributes["href"][1:] in ids


def test_what_drawings_show_is_said_in_numbers(page: str, mixed: Reconciliation) -> None:
    first = mixed.results[0]
    labels = [a["aria-label"] for tag, a in elements_of(page) if tag == "svg"]
    methods = next(
        t for t in labels if t.startswith(f"{words.PLOT_METHODS}: {first.stratum.label}")
    )
    assert f"{first.statistics.n_used} {words.LEGEND['used']}" in methods
    assert len(set(labels)) == len(labels)


def colours() -> list[dict[str, str]]:
    """The page's colours: light, dark, on paper."""
    style = (resources.files("reconcile.reporting.render") / "page.css").read_text("utf-8")
    found = [dict(re.findall(r"--(\w+): (#\w{6})", part)) for part in re.findall(
        r":root \{[^}]*\}", style)]  # fmt: skip
    assert len(found) == 3
    return found


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: relative luminance and contrast ratio (definitions, section 6)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_letters_stand_out_from_what_lies_behind_them_in_light_dark_and_print() -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text, 1.4.11: 3 to 1 for the edge of a field."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for look in colours():
        for behind in ("paper", "head", "box", "warn"):
            assert contrast(look["ink"], look[behind]) >= 4.5, (look, behind)
            assert contrast(look["soft"], look[behind]) >= 4.5, (look, behind)
        for behind in ("paper", "box"):
            assert contrast(look["link"], look[behind]) >= 4.5, (look, behind)
        assert contrast(look["soft"], look["paper"]) >= 3


# ---- in a browser --------------------------------------------------------------------


def probe_of(page: str, folder: Path, script: str) -> dict[str, Any]:
    """What ``script``, which fills ``out``, finds on the page in a browser."""
    file = folder / "page.html"
    file.write_text(page, encoding="utf-8")
    end = "document.body.dataset.out = JSON.stringify(out);"
    whole = f"const out = {{}};\n(async () => {{\n{script}\n{end}\n}})();"
    dom = dump(file, folder, whole)
    return json.loads(html.unescape(re.search(r'data-out="([^"]*)"', dom)[1]))


@browser
def test_every_column_of_every_table_sorts_up_and_down(either: str, tmp_path: Path) -> None:
    """Numbers by size, whatever their spaces, minus and units; texts in the order of letters."""
    out = probe_of(
        either,
        tmp_path,
        """
out.columns = [];
for (const table of document.querySelectorAll("table[data-sort]")) {
  [...table.tHead.rows[0].cells].forEach((head, i) => {
    const seen = [];
    for (const way of [1, -1]) {
      head.querySelector("button").click();
      seen.push([...table.tBodies[0].rows].map((r) => {
        const c = r.cells[i];
        return c.dataset.v !== undefined ? c.dataset.v : c.textContent.trim();
      }));
    }
    out.columns.push([head.textContent, head.classList.contains("n"), ...seen]);
  });
}
""",
    )
    assert len(out["columns"]) > 5, "tables that sort"
    for heading, numeric, up, down in out["columns"]:
        if not numeric:
            assert sorted(up) == sorted(down), heading
            assert [t for t in up if t] == [t for t in down if t][::-1] or len(set(up)) < len(up)
            continue
        rising, falling = ([float(v) for v in values if v] for values in (up, down))
        assert rising == sorted(rising), heading
        assert falling == sorted(falling, reverse=True), heading


@browser
def test_strata_are_chosen_by_element_material_verdict_and_change(
    page: str, mixed: Reconciliation, tmp_path: Path
) -> None:
    out = probe_of(
        page,
        tmp_path,
        """
const set = (name, value) => {
  const s = document.querySelector('.choose select[name="' + name + '"]');
  s.value = value; s.dispatchEvent(new Event("change"));
};
const shown = () => [...document.querySelectorAll("section.stratum")].filter((s) => !s.hidden);
out.options = {};
for (const s of document.querySelectorAll(".choose select"))
  out.options[s.name] = [...s.options].map((o) => o.value).filter(Boolean);
out.found = {};
for (const [name, values] of Object.entries(out.options)) for (const value of values) {
  set(name, value);
  out.found[name + "=" + value] = shown().map((s) => s.getAttribute("data-" + name));
  set(name, "");
}
set("element", "Cu");
const lines = [...document.querySelectorAll("#verdicts tbody tr")];
out.lines = lines.filter((r) => !r.hidden && r.querySelector("a[href^='#stratum']")).length;
out.copper = shown().length;
document.querySelector(".choose button").click();
out.all = shown().length;
""",
    )
    assert {"element", "material", "verdict", "change"} <= set(out["options"])
    for chosen, found in out["found"].items():
        assert found
        assert set(found) == {chosen.split("=", 1)[1]}
    copper = sum(x.stratum.element == "Cu" for x in mixed.results)
    assert out["copper"] == out["lines"] == copper
    assert out["all"] == len(mixed.results)


@pytest.mark.slow
@browser
def test_the_word_as_with_a_capital_finds_arsenic_alone(tmp_path: Path) -> None:
    results = [builder.result_of(builder.stratum_of(e)) for e in ("As", "Cu", "Pb", "Zn")] * 3
    value = builder.reconciliation(results)
    out = probe_of(
        screen.page(value).decode(),
        tmp_path,
        """
const q = document.querySelector("#verdicts .words input");
const lines = [...document.querySelectorAll("#verdicts tbody tr")]
  .filter((r) => r.querySelector("a[href^='#stratum']"));
const shown = () => lines.filter((r) => !r.hidden).map((r) => r.querySelector("a").textContent);
q.value = "As"; q.dispatchEvent(new Event("input")); out.as = shown();
q.value = ""; q.dispatchEvent(new Event("input")); out.all = shown();
""",
    )
    assert len(out["all"]) == 12
    assert len(out["as"]) == 3
    assert all(name.startswith("As ") for name in out["as"])


@browser
def test_the_mark_under_the_mouse_or_chosen_by_keys_tells_the_story_of_its_pair(
    page: str, mixed: Reconciliation, tmp_path: Path
) -> None:
    out = probe_of(
        page,
        tmp_path,
        """
const section = document.querySelector("#stratum-1");
const drawing = section.querySelector("svg[tabindex]"), story = section.querySelector(".story");
const mark = drawing.querySelector("title").parentNode;
mark.dispatchEvent(new MouseEvent("mouseover", {bubbles: true}));
out.mouse = story.textContent;
drawing.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true}));
out.keys = story.textContent;
""",
    )
    samples = set(mixed.results[0].pairs["sample_id"].map(visible))
    for said in out.values():
        assert any(said.startswith(f"{sample} (") for sample in samples)
        assert f"{words.PAIRS_OF_HEADINGS[4]}: " in said
    assert out["mouse"] != out["keys"]


@browser
def test_a_link_to_a_stratum_opens_it_and_the_top_is_a_click_away(
    page: str, tmp_path: Path
) -> None:
    out = probe_of(
        page,
        tmp_path,
        """
const link = document.querySelector("figure.glance a");
const section = document.querySelector(link.getAttribute("href"));
out.before = section.querySelector("details").open;
location.hash = link.getAttribute("href");
window.dispatchEvent(new Event("hashchange"));
out.after = section.querySelector("details").open;
out.label = link.getAttribute("aria-label");
out.top = document.querySelector(".totop").getAttribute("href");
out.wide = document.documentElement.scrollWidth <= window.innerWidth;
""",
    )
    assert (out["before"], out["after"], out["top"]) == (False, True, "#top")
    assert out["wide"]
    assert ": " in out["label"]
