// Sort a table by a column: rows that belong together (a study and its arms) stay together.
"use strict";
(function () {
  const number = (text) => {
    const found = text.replace(/[\u2212\u2013]/g, "-").match(/-?\d[\d,]*(?:\.\d+)?/);
    return found ? parseFloat(found[0].replace(/,/g, "")) : null;
  };
  const blocks = (body) => {
    const found = [];
    let left = 0;
    for (const row of [...body.rows]) {
      if (left === 0) { found.push([]); left = Math.max(...[...row.cells].map((cell) => cell.rowSpan)); }
      found[found.length - 1].push(row);
      left -= 1;
    }
    return found;
  };
  const key = (block, column) => {
    const text = (block[0].cells[column] || { textContent: "" }).textContent.trim();
    return { text: text, value: number(text) };
  };
  const sort = (table, column, down) => {
    for (const body of table.tBodies) {
      const all = blocks(body);
      const fixed = all.filter((block) => block[0].matches(".headline, .group"));
      const moving = all.filter((block) => !fixed.includes(block)).map((block) => ({ block: block, key: key(block, column) }));
      const numeric = moving.filter((one) => one.key.value !== null && /^[^A-Za-z]*\d/.test(one.key.text)).length * 2 > moving.length;
      moving.sort((a, b) => {
        const order = numeric
          ? (a.key.value === null ? Infinity : a.key.value) - (b.key.value === null ? Infinity : b.key.value) || 0
          : a.key.text.localeCompare(b.key.text);
        return down ? -order : order;
      });
      for (const block of [...fixed, ...moving.map((one) => one.block)]) body.append(...block);
    }
  };
  for (const table of document.querySelectorAll("table.sortable")) {
    if (table.tBodies.length === 0 || blocks(table.tBodies[0]).length < 3) continue;
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        sort(table, column, down);
      });
    });
  }
})();
