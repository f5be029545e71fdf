"""Plots and pairs of large strata lie packed in the page and are drawn when one is opened."""

from __future__ import annotations

import base64
import html
import re
import zlib
from dataclasses import replace
from pathlib import Path

from reconcile.reporting import words
from reconcile.reporting.document import screen
from tests.reporting import builder
from tests.reporting.test_screen import browser, probe_of

_PACKED = re.compile(r'<div class="packed">(<p[^>]*>[^<]*</p>)<template>([^<]*)</template></div>')


def _unpacked(page: str) -> str:
    def markup(found: re.Match[str]) -> str:
        return zlib.decompress(base64.b64decode(found[2]), -zlib.MAX_WBITS).decode()

    return _PACKED.sub(markup, page)


def test_what_is_packed_is_what_the_page_would_show_and_small_strata_stay_as_they_are() -> None:
    r = replace(builder.many(2, n=41), page_at_once=41)
    plain = screen.page(r).decode()
    assert "<template" not in plain
    packed = screen.page(replace(r, page_at_once=40)).decode()
    assert len(_PACKED.findall(packed)) == 2 * len(r.results)
    assert _unpacked(packed) == plain
    assert len(packed) < len(plain)


def test_a_reader_without_script_sees_what_is_packed_and_where_else_it_stands() -> None:
    r = replace(builder.many(1, n=41), page_at_once=40)
    given = _PACKED.findall(screen.page(r).decode())
    notes = [html.unescape(re.sub(r"<[^>]+>", "", note)) for note, _ in given]
    label = r.results[0].stratum.label
    assert notes == [
        words.PACKED.format(what=what, label=label, n=41, file="pairs.csv")
        for what in (words.PACKED_PLOTS, words.PACKED_PAIRS)
    ]


@browser
def test_a_browser_draws_plots_and_pairs_of_a_stratum_when_it_is_opened(tmp_path: Path) -> None:
    r = replace(builder.many(2, n=41), page_at_once=40)
    out = probe_of(
        screen.page(r).decode(),
        tmp_path,
        """
const [first, second] = document.querySelectorAll("section.stratum");
const seen = (s) => [s.querySelectorAll(".plots circle title").length > 0,
  s.querySelectorAll("table.pairs tbody tr").length, s.querySelectorAll("template").length];
out.before = seen(first);
first.querySelector("details").open = true;
for (let tries = 0; tries < 100 && !first.querySelector("table.pairs"); tries += 1)
  await new Promise((done) => setTimeout(done, 20));
out.after = seen(first);
out.other = seen(second);
first.querySelector("table.pairs thead button").click();
const mark = first.querySelector("svg[tabindex] title").parentNode;
mark.dispatchEvent(new MouseEvent("mouseover", {bubbles: true}));
out.story = first.querySelector(".story").textContent;
""",
    )
    assert out["before"] == out["other"] == [False, 0, 2]
    assert out["after"] == [True, 41, 0]
    assert f"{words.PAIRS_OF_HEADINGS[4]}: " in out["story"]
