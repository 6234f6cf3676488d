// Looks up in the table that stands on the page, and works nothing out: the row of the next colder start, the
// column of the next colder air. So it serves without any contact as well.
"use strict";
(() => {
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
  const form = document.getElementById("t-look"), table = document.getElementById("t-table");
  if (!form || !table) return;
  const said = document.getElementById("t-said"), unit = table.dataset.unit;
  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", look);

  function number(id) {
    const text = document.getElementById(id).value.trim().replace(/[−–]|^minus\s*/i, "-").replace(",", ".");
    return /^[-+]?\d+(\.\d*)?$/.test(text) ? Number(text) : null;
  }
  // the warmest of those that are not warmer
  function colder(nodes, than) {
    return nodes.map((node, i) => ({ node, i, c: Number(node.dataset.c) })).filter((o) => o.c <= than).sort((a, b) => b.c - a.c)[0];
  }
  function look() {
    for (const cell of table.querySelectorAll(".t-found")) cell.classList.remove("t-found");
    const start = number("t-start"), air = number("t-air");
    if (start === null || air === null) { said.textContent = ""; return; }
    const row = colder([...table.querySelectorAll("tbody tr")], start), column = colder([...table.querySelectorAll("thead th[data-c]")], air);
    if (!row || !column) { said.textContent = "Colder than this table goes: it says nothing of that."; return; }
    const cell = row.node.querySelectorAll("td")[column.i];
    cell.classList.add("t-found");
    const [middle, spread] = [...cell.querySelector(".t-cell").children].map((e) => e.textContent);
    said.textContent = `From ${row.c} ${unit} in air of ${column.c} ${unit}: ${middle}${spread ? `; ${spread}` : ""}.`.replaceAll("-", "−");
  }
})();
