"use strict";
// The page holds nothing of its own: it shows the parts that the server sends, and posts what is typed and pressed.
const beat = 1000 * Number(document.body.dataset.beat);
const connection = document.getElementById("connection");
const places = new Map([...document.querySelectorAll("[data-part]")].map((each) => [each.dataset.part, each]));
let last = 0;
let wholeAt = null;

function clock(at) {
  return at.toTimeString().slice(0, 5);
}

// A page that lost its server shows no verdict and no target as valid.
function alive(now) {
  if (now) [last, wholeAt] = [Date.now(), new Date()];
  const out = Date.now() - last > 3 * beat;
  document.body.classList.toggle("out", out);
  connection.textContent = out ? `OUT OF DATE${wholeAt ? `, as of ${clock(wholeAt)}` : ""}` : `● Connected, ${clock(wholeAt)}`;
}

// A field in use keeps what is typed and where the caret is while the part around it is made anew.
function fill(place, part) {
  const used = place.contains(document.activeElement) ? document.activeElement : null;
  const typed = used && "value" in used && used.id ? { id: used.id, value: used.value, at: used.selectionStart } : null;
  const open = [...place.querySelectorAll("details[open][id]")].map((each) => each.id);
  place.innerHTML = part.html;
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  place.classList.toggle("stale", part.stale);
  if (!typed) return;
  const field = document.getElementById(typed.id);
  if (!field) return;
  field.value = typed.value;
  field.focus({ preventScroll: true });
  if (typed.at !== null) field.setSelectionRange?.(typed.at, typed.at);
}

function show(parts) {
  for (const part of parts) {
    const place = places.get(part.name);
    if (place) fill(place, part);
    document.dispatchEvent(new CustomEvent("part", { detail: part }));
  }
}

function connect() {
  const events = new EventSource("events");
  events.onmessage = (event) => {
    alive(true);
    show(JSON.parse(event.data));
  };
  events.addEventListener("beat", () => alive(true));
  events.onerror = () => {
    last = 0;
    alive(false);
    if (events.readyState === EventSource.CLOSED) setTimeout(connect, beat);
  };
}

async function post(path, body) {
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Phaseopt": "1" },
      body: JSON.stringify(body),
    });
    return { ok: answer.ok, ...(await answer.json()) };
  } catch {
    return { ok: false, messages: ["The server does not answer. Nothing was written."] };
  }
}

// A message stands beside what it is about.
function say(near, messages) {
  const id = near.getAttribute("aria-describedby");
  const place = (id && document.getElementById(id)) || document.getElementById("said");
  if (place) place.textContent = messages.join(" ");
}

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-do]");
  if (!button) return;
  const body = { ...button.dataset };
  delete body.do;
  for (const field of button.closest("form, fieldset, .fields")?.querySelectorAll("[name]") ?? []) body[field.name] = field.value;
  const found = await post(`do/${button.dataset.do}`, body);
  say(button, found.messages ?? []);
});

const waiting = new Map();
document.addEventListener("input", (event) => {
  const field = event.target.closest("[data-key]");
  if (!field) return;
  clearTimeout(waiting.get(field.id));
  waiting.set(field.id, setTimeout(async () => {
    const typed = field.value;
    const found = await post("ask/try", { key: field.dataset.key, value: typed });
    if (document.getElementById(field.id)?.value === typed) say(field, found.messages ?? found.remarks ?? []);
  }, 150));
});
document.addEventListener("change", async (event) => {
  const field = event.target.closest("[data-key]");
  if (!field) return;
  clearTimeout(waiting.get(field.id));
  const found = await post("do/edit", { key: field.dataset.key, value: field.value });
  say(field, found.messages ?? found.remarks ?? []);
});
document.addEventListener("submit", (event) => event.preventDefault());

function turn() {
  const name = ["bench", "day", "tables", "studies"].includes(location.hash.slice(1)) ? location.hash.slice(1) : "day";
  for (const section of document.querySelectorAll("main > section")) section.hidden = section.id !== name;
  for (const link of document.querySelectorAll(".bar nav a")) {
    if (link.hash === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
}
window.addEventListener("hashchange", turn);
turn();
setInterval(() => alive(false), beat / 2);
connect();
