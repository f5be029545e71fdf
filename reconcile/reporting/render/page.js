"use strict";
const all = (selector, from) => [...(from || document).querySelectorAll(selector)];

// A number as it is written for a reader: a true minus, spaces between thousands, a decimal comma.
const plain = (text) => /^[\u2212-]?\d[\d\s\u00a0\u202f]*([.,]\d+)?(\s?%)?$/.test(text);
const asNumber = (text) => parseFloat(text.replace(/[\s\u00a0\u202f]/g, "").replace("\u2212", "-").replace(",", "."));

const sorting = (table) => {
  const body = table.tBodies[0];
  const value = (row, i) => {
    const cell = row.cells[i];
    return cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent.trim();
  };
  [...table.tHead.rows[0].cells].forEach((head, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.textContent = "";
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const number = head.classList.contains("n");
      const empty = (text) => text === "" || (number && Number.isNaN(asNumber(text)));
      const rows = [...body.rows].sort((a, b) => {
        const x = value(a, i), y = value(b, i);
        if (empty(x) || empty(y)) return empty(x) - empty(y);
        let order = 0;
        if (number || (plain(x) && plain(y))) order = asNumber(x) - asNumber(y);
        else if (plain(x) !== plain(y)) order = plain(x) ? -1 : 1;
        if (!number && !order) order = x.localeCompare(y, undefined, {numeric: true}) || (x < y ? -1 : x > y);
        return up ? order : -order;
      });
      body.append(...rows);
    });
  });
};

// A word with a capital must stand as it is typed; any other begins a word, in capitals or not.
const tester = (typed) => {
  const tests = typed.split(/\s+/).filter(Boolean).map((word) => {
    const exact = /\p{Lu}/u.test(word);
    const plain = word.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
    const begin = /^[\p{L}\p{N}]/u.test(word) ? "(?<![\\p{L}\\p{N}])" : "";
    const end = exact && /[\p{L}\p{N}]$/u.test(word) ? "(?![\\p{L}\\p{N}])" : "";
    return new RegExp(begin + plain + end, exact ? "u" : "iu");
  });
  return (text) => tests.every((test) => test.test(text));
};
const rowText = (row) => [...row.cells].map((cell) => cell.textContent).join(" \u00b7 ");

const filtering = (box) => {
  const table = box.nextElementSibling.querySelector("table");
  const input = box.querySelector("input"), told = box.querySelector("output");
  box.hidden = false;
  input.addEventListener("input", () => {
    const fits = tester(input.value);
    let shown = 0;
    for (const row of table.tBodies[0].rows) {
      row.hidden = !fits(rowText(row));
      shown += !row.hidden;
    }
    told.textContent = shown + " / " + table.tBodies[0].rows.length;
  });
};

// Strata: chosen by what they are; sections, lines of tables and of the picture follow.
const choose = document.querySelector(".choose");
if (choose) {
  const strata = new Map(all("section.stratum").map((s) => [s.id, s]));
  const selects = all("select", choose), told = choose.querySelector("output");
  const target = (link) => strata.get((link.getAttribute("href") || "").slice(1));
  const apply = () => {
    let shown = 0;
    for (const section of strata.values()) {
      section.hidden = !selects.every((s) => s.value === "" || section.getAttribute("data-" + s.name) === s.value);
      shown += !section.hidden;
    }
    for (const link of all('#verdicts td a, nav li a')) {
      const section = target(link), line = link.closest("tr, li");
      if (section && line) line.hidden = section.hidden;
    }
    for (const link of all("figure.glance a")) {
      const section = target(link);
      if (section) for (const part of link.children) part.classList.toggle("off", section.hidden);
    }
    told.textContent = shown + " / " + strata.size;
  };
  choose.hidden = false;
  for (const select of selects) select.addEventListener("change", apply);
  choose.querySelector("button").addEventListener("click", () => {
    for (const select of selects) select.value = "";
    apply();
  });
  apply();
}

// What a link leads to is opened, and shown where a choice had hidden it.
const open = () => {
  const there = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (!there) return;
  for (let part = there; part; part = part.parentElement) {
    if (part.tagName === "DETAILS") part.open = true;
    if (part.tagName === "SECTION") part.hidden = false;
  }
  const inside = there.querySelector(":scope > details");
  if (inside) inside.open = true;
  there.scrollIntoView();
};
window.addEventListener("hashchange", open);
open();

// The mark under the mouse, or chosen by the arrow keys, tells its story below the plots.
const stories = new Map();
const storyOf = (section, said) => {
  if (!section) return said;
  if (!stories.has(section)) {
    const rows = all('table.pairs tbody tr', section);
    stories.set(section, rows.map((row) => [row.cells[0].textContent, row]));
  }
  const found = stories.get(section).filter(([name]) => said.startsWith(name + " (")).sort((a, b) => b[0].length - a[0].length)[0];
  if (!found) return said;
  const heads = [...found[1].closest("table").tHead.rows[0].cells].map((cell) => cell.textContent);
  const parts = [...found[1].cells].map((cell, i) => [heads[i], cell.textContent]).slice(1).filter((part) => part[1]);
  return said + ". " + parts.map((part) => part.join(": ")).join("; ");
};
const telling = (drawing) => {
  const told = drawing.closest(".plots").querySelector(".story");
  const marks = all("title", drawing).map((title) => title.parentNode);
  let at = -1;
  const show = (mark) => {
    for (const other of all(".here", drawing)) other.classList.remove("here");
    mark.classList.add("here");
    told.textContent = storyOf(drawing.closest("section"), mark.querySelector("title").textContent);
  };
  drawing.addEventListener("mouseover", (event) => {
    const mark = event.target.closest("circle, path");
    if (mark && mark.querySelector("title")) { at = marks.indexOf(mark); show(mark); }
  });
  drawing.addEventListener("keydown", (event) => {
    const step = {ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1}[event.key];
    if (!step || !marks.length) return;
    event.preventDefault();
    at = (at + step + marks.length) % marks.length;
    show(marks[at]);
  });
};

const ready = (from) => {
  for (const table of all("table[data-sort]", from)) sorting(table);
  for (const box of all(".words", from)) filtering(box);
  for (const drawing of all("svg[tabindex]", from)) telling(drawing);
};
ready(document);

// Plots and pairs of a large stratum lie packed in the page; they are drawn when it is opened.
const unpack = async (packed) => {
  const room = packed.parentNode;
  packed.remove();
  const bytes = Uint8Array.from(atob(packed.content.textContent), (sign) => sign.charCodeAt(0));
  const unpacked = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  room.innerHTML = await new Response(unpacked).text();
  ready(room);
};
for (const stratum of all("section.stratum > details")) {
  const draw = () => {
    if (stratum.open && window.DecompressionStream) for (const packed of all("template", stratum)) unpack(packed);
  };
  stratum.addEventListener("toggle", draw, {once: true});
  draw();
}
