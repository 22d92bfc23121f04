"use strict";
const table = document.querySelector("table.sessions");
const body = table.tBodies[0];
const words = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
const heads = [...table.tHead.rows[0].cells];

function key(row, column) {
  const text = row.cells[column].dataset.by;
  const value = Number(text);
  return text === "" || Number.isNaN(value) ? text : value;
}

function compare(a, b) {
  if (a === "" || b === "") return (a === "") - (b === "");
  return typeof a === "number" && typeof b === "number" ? a - b : words.compare(a, b);
}

function sortBy(column, falling) {
  const rows = [...body.rows].map((row) => [key(row, column), row]);
  rows.sort(([a], [b]) => (falling && a !== "" && b !== "" ? compare(b, a) : compare(a, b)));
  body.append(...rows.map(([, row]) => row));
  heads.forEach((head, place) => {
    if (place === column) head.setAttribute("aria-sort", falling ? "descending" : "ascending");
    else head.removeAttribute("aria-sort");
  });
}

heads.forEach((head, column) => {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => sortBy(column, head.getAttribute("aria-sort") === "ascending"));
});
