// Light switch, tables that sort and filter, marks that say their numbers. Pages can be read without it.
"use strict";

(function chooseLight() {
  const root = document.documentElement;
  const asked = (() => { try { return localStorage.getItem("light"); } catch { return null; } })();
  const system = window.matchMedia("(prefers-color-scheme: dark)");
  const show = (light) => { root.dataset.light = light; };
  show(asked || (system.matches ? "dark" : "light"));
  if (!asked) system.addEventListener("change", (event) => show(event.matches ? "dark" : "light"));
  document.addEventListener("DOMContentLoaded", () => {
    const button = document.querySelector("[data-light-switch]");
    if (!button) return;
    const name = () => {
      button.textContent = root.dataset.light === "dark" ? "Light page" : "Dark page";
    };
    button.hidden = false;
    name();
    button.addEventListener("click", () => {
      show(root.dataset.light === "dark" ? "light" : "dark");
      try { localStorage.setItem("light", root.dataset.light); } catch { /* the page still turns */ }
      name();
    });
  });
})();

function valueOf(row, column) {
  const cell = row.cells[column];
  return cell.dataset.order !== undefined ? Number(cell.dataset.order) : cell.textContent.trim().toLowerCase();
}

function makeSortable(table) {
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = head.querySelector("button.sort");
    if (!button) return;
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((each) => each.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const body = table.tBodies[0];
      const rows = [...body.rows].filter((row) => !row.classList.contains("empty"));
      const order = (a, b) => (typeof a === "number" ? a - b : a.localeCompare(b, "en", { numeric: true }));
      rows.sort((a, b) => (down ? -1 : 1) * order(valueOf(a, column), valueOf(b, column)));
      rows.forEach((row) => body.insertBefore(row, body.querySelector("tr.empty")));
    });
  });
}

function makeFilterable(table) {
  const form = document.querySelector("[data-filters]");
  const text = form.querySelector("[name=text]");
  const model = form.querySelector("[name=model]");
  const count = form.querySelector("output");
  const buttons = [...document.querySelectorAll("[data-group]")];
  const rows = [...table.tBodies[0].rows].filter((row) => !row.classList.contains("empty"));
  const counted = rows.length === 1 ? "1 ticket" : `${rows.length} tickets`;
  const show = () => {
    const words = text.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const groups = buttons.filter((each) => each.getAttribute("aria-pressed") === "true").map((each) => each.dataset.group);
    let shown = 0;
    rows.forEach((row) => {
      const said = row.textContent.toLowerCase();
      const fits = words.every((word) => said.includes(word))
        && (!model.value || row.dataset.model === model.value)
        && (!groups.length || groups.includes(row.dataset.kind));
      row.hidden = !fits;
      shown += fits;
    });
    count.textContent = shown === rows.length ? `all ${counted}` : `${shown} of ${counted}`;
    table.querySelector("tr.empty").hidden = shown > 0;
  };
  buttons.forEach((button) => button.addEventListener("click", () => {
    button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
    show();
  }));
  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  show();
}

function makeMarks(drawing, tip) {
  const marks = [...drawing.querySelectorAll(".mark")];
  const words = marks.map((mark) => mark.querySelector("title").textContent);
  let here = -1;
  // the page's own tip takes the place of the browser's, which is slow and never shows for the keyboard
  marks.forEach((mark, index) => {
    mark.querySelector("title").remove();
    mark.setAttribute("aria-label", words[index]);
    mark.setAttribute("role", "img");
    mark.addEventListener("pointerenter", () => say(index));
    mark.addEventListener("pointerleave", hush);
  });
  function say(index) {
    const box = marks[index].getBoundingClientRect();
    tip.textContent = words[index];
    tip.hidden = false;
    const left = Math.min(box.left + box.width / 2, document.documentElement.clientWidth - tip.offsetWidth - 12);
    tip.style.left = `${window.scrollX + Math.max(left, 8)}px`;
    tip.style.top = `${window.scrollY + box.top - tip.offsetHeight - 6}px`;
  }
  function hush() { tip.hidden = true; }
  function go(index) {
    if (here >= 0) marks[here].classList.remove("here");
    here = index;
    marks[here].classList.add("here");
    say(here);
  }
  function nearest(dx, dy) {
    const from = marks[here].getBoundingClientRect();
    let best = here;
    let least = Infinity;
    marks.forEach((mark, index) => {
      const box = mark.getBoundingClientRect();
      const x = box.left + box.width / 2 - from.left - from.width / 2;
      const y = box.top + box.height / 2 - from.top - from.height / 2;
      const along = x * dx + y * dy;
      const cost = along + 3 * Math.abs(x * dy - y * dx);
      if (index !== here && along > 1 && cost < least) { best = index; least = cost; }
    });
    return best;
  }
  const ways = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowDown: [0, 1], ArrowUp: [0, -1] };
  drawing.addEventListener("focus", () => marks.length && go(Math.max(here, 0)));
  drawing.addEventListener("blur", () => { hush(); if (here >= 0) marks[here].classList.remove("here"); });
  drawing.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hush();
    if (!(event.key in ways) || here < 0) return;
    event.preventDefault();
    go(nearest(...ways[event.key]));
  });
}

document.addEventListener("DOMContentLoaded", () => {
  document.querySelectorAll("table[data-sortable]").forEach(makeSortable);
  document.querySelectorAll("table[data-filterable]").forEach(makeFilterable);
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.setAttribute("role", "status");
  tip.hidden = true;
  document.body.append(tip);
  document.querySelectorAll("svg.marks").forEach((drawing) => makeMarks(drawing, tip));
  window.addEventListener("beforeprint", () => document.querySelectorAll("details.prints").forEach((each) => { each.open = true; }));
});
