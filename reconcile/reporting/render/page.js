"use strict";
for (const table of document.querySelectorAll("table[data-sort]")) {
  const body = table.tBodies[0];
  const value = (row, i) => {
    const cell = row.cells[i];
    return cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent;
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
      const empty = (text) => text === "" || (number && Number.isNaN(parseFloat(text)));
      const rows = [...body.rows].sort((a, b) => {
        const x = value(a, i), y = value(b, i);
        if (empty(x) || empty(y)) return empty(x) - empty(y);
        const order = number ? parseFloat(x) - parseFloat(y) : x.localeCompare(y, undefined, {numeric: true});
        return up ? order : -order;
      });
      body.append(...rows);
    });
  });
  const box = table.parentNode.previousElementSibling;
  if (box && box.classList.contains("filter")) {
    const input = box.querySelector("input"), told = box.querySelector("output");
    box.hidden = false;
    input.addEventListener("input", () => {
      const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of body.rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !words.every((word) => text.includes(word));
        shown += !row.hidden;
      }
      told.textContent = shown + " / " + body.rows.length;
    });
  }
}
