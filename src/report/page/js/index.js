(function () {
"use strict";
const table = document.getElementById("scans"), body = table.tBodies[0];
const rows = [...body.rows], find = document.getElementById("find"), only = document.getElementById("only");
const textOf = (row, i) => row.cells[i].textContent.trim();

function show() {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  for (const row of rows) {
    const text = row.textContent.toLowerCase();
    const fits = words.every((w) => text.includes(w)) && (!only.value || textOf(row, 4).replace(/^\S+ /, "") === only.value);
    row.hidden = !fits;
    shown += fits;
  }
  document.getElementById("count").textContent = shown === rows.length ? `${shown} scans` : `${shown} of ${rows.length} scans`;
}
find.addEventListener("input", show);
only.addEventListener("change", show);

const heads = [...table.tHead.rows[0].cells];
heads.forEach((head, i) => {
  const button = head.querySelector("button");
  if (!button) return;
  button.addEventListener("click", () => {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const h of heads) if (h.hasAttribute("aria-sort")) h.setAttribute("aria-sort", "none");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const sorted = rows.map((row) => [textOf(row, i), row]);
    // Empty cells stay last whichever way it is sorted.
    sorted.sort(([a], [b]) => {
      if (!a || !b) return (a ? 0 : 1) - (b ? 0 : 1);
      const x = Number(a), y = Number(b);
      const order = Number.isNaN(x) || Number.isNaN(y) ? a.localeCompare(b, "en", { numeric: true }) : x - y;
      return down ? -order : order;
    });
    body.append(...sorted.map(([, row]) => row));
  });
});
})();
