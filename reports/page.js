"use strict";
/* The one script of every page; its hash is in the page's security policy.  It reads what the page
   holds and makes no request.  Text goes into the page as text only (textContent), never as markup.
   Without it a page is complete: figures have captions and tables, tables their order. */

/* Says `words` to a screen reader. */
const voice = document.createElement("div");
voice.className = "voice";
voice.setAttribute("role", "status");
voice.setAttribute("aria-live", "polite");
document.body.append(voice);
const say = (words) => { voice.textContent = words; };

/* Tables: a head with data-sort becomes a button; a cell is sorted by its data-value, then its
   text.  A cell without a value (not known) comes last either way.  The button is a span, because
   a head that holds a real one is not repeated on the next leaf of paper. */
const ORDERS = ["none", "ascending", "descending"];

function value(row, column, kind) {
  const cell = row.cells[column];
  const text = cell.dataset.value ?? cell.textContent.trim();
  if (text === "") return null;
  return kind === "number" ? Number(text) : text;
}

function sorted(rows, column, kind, order) {
  const way = order === "descending" ? -1 : 1;
  const compare = kind === "number"
    ? (a, b) => a - b
    : (a, b) => a.localeCompare(b, "en", { numeric: true });
  return rows.map((row) => [value(row, column, kind), row]).sort(([a], [b]) => {
    if (a === null || b === null) return (a === null) - (b === null);
    return way * compare(a, b);
  }).map(([, row]) => row);
}

for (const table of document.querySelectorAll("table.sortable")) {
  const body = table.tBodies[0];
  const asGiven = [...body.rows];
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const kind = head.dataset.sort;
    if (!kind) return;
    const button = document.createElement("span");
    button.className = "button";
    button.tabIndex = 0;
    button.setAttribute("role", "button");
    button.append(...head.childNodes);
    head.append(button);
    head.setAttribute("aria-sort", "none");
    button.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      button.click();
    });
    button.addEventListener("click", () => {
      const order = ORDERS[(ORDERS.indexOf(head.getAttribute("aria-sort")) + 1) % ORDERS.length];
      for (const other of heads) if (other.dataset.sort) other.setAttribute("aria-sort", "none");
      head.setAttribute("aria-sort", order);
      body.append(...(order === "none" ? asGiven : sorted(asGiven, column, kind, order)));
      say(order === "none" ? "in the order of the review" : `sorted by ${button.textContent.trim()}, ${order}`);
    });
  });
}

/* What narrows a list down stands in the address, so that a view can be kept and sent. */
const FROM_ADDRESS = new URLSearchParams(location.search);

function keepInAddress(controls) {
  const kept = new URLSearchParams(location.search);
  for (const control of controls) {
    const value = control.type === "checkbox" ? (control.checked ? "yes" : "") : control.value.trim();
    if (value) kept.set(control.name, value); else kept.delete(control.name);
  }
  const query = kept.toString();
  try {
    history.replaceState(null, "", (query ? `?${query}` : location.pathname) + location.hash);
  } catch { /* a page opened from some places may not change its address; it filters all the same */ }
}

/* Filters of a table (data-filters names it) or of the fleet: by words, standing, what the register says, overdue. */
for (const filters of document.querySelectorAll("[data-filters], [data-rows-filter]")) {
  const fleet = filters.closest("[data-fleet]");
  const rows = fleet
    ? [...fleet.querySelectorAll("table.meters tbody tr")]
    : [...document.getElementById(filters.dataset.filters).tBodies[0].rows];
  const texts = new Map(rows.map((row) => [row, row.textContent.toLowerCase()]));
  const controls = [...filters.querySelectorAll("input, select")];
  const named = (name) => controls.find((control) => control.name === name);
  const count = filters.querySelector("output");
  for (const control of controls) {
    const given = FROM_ADDRESS.get(control.name);
    if (given === null) continue;
    if (control.type === "checkbox") control.checked = given === "yes"; else control.value = given;
  }
  const apply = () => {
    const asked = named("words").value.trim().toLowerCase();
    const standing = named("standing").value;
    const kinds = controls.filter((control) => "kind" in control.dataset && control.value);
    const overdue = named("overdue")?.checked ?? false;
    const narrowed = Boolean(asked || standing || kinds.length || overdue);
    let shown = 0;
    for (const row of rows) {
      const fits = texts.get(row).includes(asked)
        && (!standing || row.dataset.standing === standing)
        && kinds.every((kind) => row.dataset[kind.name] === kind.value)
        && (!overdue || row.dataset.overdue === "yes");
      row.hidden = !fits;
      shown += fits;
    }
    count.textContent = shown === rows.length ? `all ${shown}` : `${shown} of ${rows.length}`;
    if (fleet) narrowFleet(fleet, narrowed);
  };
  for (const control of controls) {
    control.addEventListener("input", () => { apply(); keepInAddress(controls); });
  }
  filters.hidden = false;
  apply();
}

/* Shows what is left of each group, and tells its charts which rows that is. */
function narrowFleet(fleet, narrowed) {
  for (const box of fleet.querySelectorAll(".rows")) {
    const rows = [...box.querySelectorAll("tbody tr")];
    const left = rows.filter((row) => !row.hidden);
    const fold = box.closest(".fold");
    if (fold) {
      fold.hidden = left.length === 0;
      if (narrowed && fold.dataset.opened === undefined) fold.dataset.opened = fold.open ? "yes" : "";
      if (narrowed) fold.open = left.length > 0;
      else if (fold.dataset.opened !== undefined) {
        fold.open = fold.dataset.opened === "yes";
        delete fold.dataset.opened;
      }
    }
    box.dispatchEvent(new CustomEvent("rows"));
  }
  for (const group of fleet.querySelectorAll(".group")) {
    group.hidden = !group.querySelector("tbody tr:not([hidden])");
  }
}

/* The pages of a review, behind a button where the screen is narrow. */
for (const button of document.querySelectorAll(".unfold")) {
  const pages = document.getElementById(button.getAttribute("aria-controls"));
  const narrow = matchMedia("(max-width: 46rem)");
  const fit = () => { button.hidden = !narrow.matches; };
  narrow.addEventListener("change", fit);
  fit();
  button.addEventListener("click", () => {
    const open = pages.classList.toggle("open");
    button.setAttribute("aria-expanded", String(open));
  });
}

/* Buttons that copy a command; where nothing may be copied the command is shown to be selected. */
for (const button of document.querySelectorAll("[data-copy]")) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(button.dataset.copy);
      say("copied");
      button.textContent = "copied";
    } catch {
      const shown = document.createElement("textarea");
      shown.className = "copied";
      shown.readOnly = true;
      shown.setAttribute("aria-label", "command");
      shown.value = button.dataset.copy;
      button.replaceWith(shown);
      shown.select();
    }
  });
}
