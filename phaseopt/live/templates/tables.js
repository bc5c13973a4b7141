// The bench and the tables: rows of readings, files of lobes, cells that are pinned.
function typed(field) {
  const way = document.getElementById(`${field.id}-way`);
  return { value: field.value, ...(way ? { way: way.value } : {}), ...(field.dataset.words ? { words: true } : {}) };
}

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-add]");
  if (!button) return;
  const row = button.closest("[data-row]"), cells = [...row.querySelectorAll("[data-cell]")];
  const found = await post("/do/row", {
    key: row.dataset.row,
    first: row.dataset.first ?? "",
    cells: cells.map((cell) => ({ name: row.dataset.table ? cell.dataset.cell : "", ...typed(cell) })),
  });
  say(button, found.messages ?? found.remarks ?? []);
  if (!found.ok) return;
  for (const cell of cells) cell.value = "";
  cells[0]?.focus();
});

async function takeLobe(place, file) {
  if (!file) return;
  const near = place.querySelector("[data-key]");
  const found = await post(`/do/lobe?side=${place.dataset.lobe}&name=${encodeURIComponent(file.name)}`, file);
  say(near, found.messages ?? found.remarks ?? []);
}
document.addEventListener("dragover", (event) => {
  const place = event.target.closest?.("[data-lobe]");
  if (!place) return;
  event.preventDefault();
  place.classList.add("over");
});
document.addEventListener("dragleave", (event) => event.target.closest?.("[data-lobe]")?.classList.remove("over"));
document.addEventListener("drop", (event) => {
  const place = event.target.closest?.("[data-lobe]");
  if (!place) return;
  event.preventDefault();
  place.classList.remove("over");
  takeLobe(place, event.dataTransfer.files[0]);
});
document.addEventListener("change", (event) => {
  const place = event.target.type === "file" && event.target.closest("[data-lobe]");
  if (place) takeLobe(place, event.target.files[0]);
});

// A value half typed is not known yet, and with it what rests on it.
document.addEventListener("input", (event) => {
  if (event.target.closest("[data-key]")) document.body.classList.add("typing");
});
for (const name of ["change", "focusout"]) document.addEventListener(name, () => document.body.classList.remove("typing"));

// The tables: a cell and its timing, made anew with each part that is sent.
let exploring = null;
let cellNow = () => null;
document.addEventListener("part", (event) => {
  if (event.detail.name !== "tables") return;
  exploring?.abort();
  const chosen = cellNow();
  cellNow = () => null;
  if (!document.getElementById("explorer-data")) return;
  exploring = new AbortController();
  cellNow = explore(exploring.signal, chosen);
  nameCell();
});

// A timing typed in is that of the cell that is named beside it: with another cell it goes.
let typedFor = "";
const typedTimings = () => [...document.querySelectorAll("#typed-timing [data-cell]")];
function nameCell() {
  const cell = cellNow(), place = document.getElementById("typed-cell");
  if (!cell || !place) return;
  const name = `${cell.rpm} rpm, ${cell.load} kPa`;
  if (place.textContent !== name) place.textContent = name;
  if (typedFor !== name) clearTyped();
  typedFor = name;
}
function clearTyped() {
  for (const field of typedTimings()) field.value = "";
  document.getElementById("typed-said").textContent = "";
}
function typedCell() {
  const { rpm, load } = cellNow() ?? {};
  return { rpm, load, ...Object.fromEntries(typedTimings().map((field) => [field.dataset.cell, typed(field)])) };
}
document.addEventListener("click", nameCell);
document.addEventListener("keydown", (event) => {
  nameCell();
  const table = event.target.closest?.("#tables table.phases td")?.closest("table");
  if (!table || !/^[\d.,]$/.test(event.key) || event.ctrlKey || event.altKey || event.metaKey) return;
  typedTimings()[[...document.querySelectorAll("#tables table.phases")].indexOf(table)]?.focus();
});
for (const name of ["input", "change"]) document.addEventListener(name, (event) => {
  if (!event.target.closest("#typed-timing")) return;
  clearTimeout(waiting.get("typed"));
  waiting.set("typed", setTimeout(async () => {
    const body = typedCell(), blank = typedTimings().every((field) => !field.value.trim());
    const found = blank ? {} : await post("/ask/try_pin", body);
    if (JSON.stringify(typedCell()) === JSON.stringify(body)) say(typedTimings()[0], found.messages ?? found.remarks ?? []);
  }, 150));
});
document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-pin], [data-question], [data-copy]");
  if (!button) return;
  if (button.dataset.pin === "typed") {
    clearTimeout(waiting.get("typed"));
    const found = await post("/do/pin", typedCell());
    if (found.ok) clearTyped();
    say(button, found.messages ?? ["Pinned. The tables are searched again."]);
  } else if (button.dataset.pin) {
    const { moving, tied, ...cell } = cellNow() ?? { moving: [] };
    for (const side of ["intake", "exhaust"]) if (!moving.includes(side)) delete cell[side];
    const found = await post("/do/pin", cell);
    say(button, found.messages ?? found.remarks ?? ["Pinned. The tables are searched again."]);
  } else if (button.dataset.question) {
    const found = await post(`/ask/${button.dataset.question}`, {});
    say(button, found.messages ?? found.remarks ?? []);
  } else if (button.closest(".stale")) {
    say(button, ["These cells are out of date. Wait for the new ones."]);
  } else {
    const cells = parts.get("tables").facts.cells[button.dataset.copy];
    await navigator.clipboard.writeText(cells.map((row) => row.join("\t")).join("\n"));
    say(button, ["Copied: one row a speed, one column a load."]);
  }
});
// Drawings have no size while they are hidden.
window.addEventListener("hashchange", () => window.dispatchEvent(new Event("resize")));
