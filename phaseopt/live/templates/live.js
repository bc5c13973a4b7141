"use strict";
// The page holds nothing of its own: it shows the parts that the server sends, and posts what is typed and pressed.
const beat = 1000 * Number(document.body.dataset.beat);
const reads = document.body.dataset.kind === "telephone";
const connection = document.getElementById("connection");
const places = new Map([...document.querySelectorAll("[data-part]")].map((each) => [each.dataset.part, each]));
const parts = new Map(); // the last of each that was sent
const lasting = new Set(["name", "working", "waiting", "notice", "mistakes", "devices"]);
const states = /(?:[○◐✕?] ?)?\b(?:NOT CLEAR|CLEAR|CHECKED|TIGHT|HITS|UNKNOWN|KEEP|REPEAT|STOP HERE)\b/g;
let heard = null; // when the server was last heard, by two clocks: one may be set, the other may sleep
let out = true;
let refused = "";

function clock(at) {
  return `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
}

function isHeard() {
  if (!heard) return false;
  const since = [Date.now() - heard.wall, performance.now() - heard.steady];
  return Math.min(...since) > -beat && Math.max(...since) <= 3 * beat;
}

// A page that lost its server shows no verdict and no target as valid.
function watch(now) {
  if (now) heard = { wall: Date.now(), steady: performance.now(), at: new Date() };
  const lost = !isHeard();
  if (lost !== out) {
    out = lost;
    document.body.classList.toggle("out", out && heard !== null);
    show([...parts.values()]);
  }
  const as = heard ? `, as of ${clock(heard.at)}` : "";
  const words = heard ? `OUT OF DATE${as}. ${refused || "The server does not answer."}` : refused || "Connecting";
  const text = out ? words : `● Connected, ${clock(heard.at)}`;
  if (connection.textContent !== text) connection.textContent = text;
}

function lose(why) {
  if (heard) heard.wall = -Infinity;
  refused = why ?? refused;
  watch(false);
}

// The words of state in a part give way, in its text and in what is read aloud, also where a script writes one later.
function withdraw(place) {
  const words = `OUT OF DATE, as of ${place.dataset.at}`;
  const texts = document.createTreeWalker(place, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const without = texts.currentNode.data.replace(states, words);
    if (without !== texts.currentNode.data) texts.currentNode.data = without;
  }
  for (const name of ["aria-label", "title", "data-h"]) {
    for (const each of place.querySelectorAll(`[${name}]`)) {
      const without = each.getAttribute(name).replace(states, words);
      if (without !== each.getAttribute(name)) each.setAttribute(name, without);
    }
  }
}
new MutationObserver(() => document.querySelectorAll(".stale[data-at]").forEach(withdraw)).observe(document.body, {
  subtree: true, childList: true, characterData: true, attributeFilter: ["class", "aria-label", "title", "data-h"],
});

// A field in use keeps what is typed and where the caret is while the part around it is made anew.
function fill(part) {
  const place = places.get(part.name);
  if (!place) return;
  const used = place.contains(document.activeElement) ? document.activeElement : null;
  const typed = used && "value" in used && used.id ? { id: used.id, value: used.value, at: used.selectionStart } : null;
  const folded = [...place.querySelectorAll("details[id]")].map((each) => [each.id, each.open]);
  const words = [...place.querySelectorAll(".said[id]")].map((each) => [each.id, each.textContent]);
  const entered = [...place.querySelectorAll("[data-cell], [data-cell] ~ select")].map((each) => [each.id, each.value]);
  place.innerHTML = part.html;
  for (const [id, open] of folded) document.getElementById(id)?.toggleAttribute("open", open);
  for (const [id, text] of words) if (text && document.getElementById(id)) document.getElementById(id).textContent = text;
  for (const [id, value] of entered) if (value && document.getElementById(id)) document.getElementById(id).value = value;
  const stale = !lasting.has(part.name) && (part.stale || out);
  place.classList.toggle("stale", stale);
  place.dataset.at = out && heard && !part.stale ? clock(heard.at) : part.at;
  if (stale) withdraw(place);
  if (reads) for (const field of place.querySelectorAll("input, select, textarea")) field.disabled = true;
  if (!typed) return;
  const field = document.getElementById(typed.id);
  if (!field) return;
  field.value = typed.value;
  field.focus({ preventScroll: true });
  if (typed.at !== null) field.setSelectionRange?.(typed.at, typed.at);
}

function show(sent) {
  for (const part of sent) {
    parts.set(part.name, part);
    fill(part);
    document.dispatchEvent(new CustomEvent("part", { detail: part }));
  }
}

function connect() {
  const events = new EventSource("/events");
  events.onmessage = (event) => {
    refused = "";
    watch(true);
    show(JSON.parse(event.data));
  };
  events.addEventListener("beat", () => watch(true));
  events.onerror = async () => {
    lose("");
    if (events.readyState !== EventSource.CLOSED) return;
    const answer = await fetch("/parts").catch(() => null);
    if (answer?.status === 401) lose(reads ? "This telephone was disconnected: load the page again." : "This browser is not let in any more.");
    else setTimeout(connect, beat);
  };
}

async function post(path, body) {
  try {
    const file = body instanceof Blob;
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": file ? "application/octet-stream" : "application/json", "X-Phaseopt": "1" },
      body: file ? body : JSON.stringify(body),
    });
    return { ok: answer.ok, ...(await answer.json()) };
  } catch {
    return { ok: false, messages: ["The server does not answer. Nothing was written."] };
  }
}

// A message is put beside what it is about.
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
  const found = await post(`/do/${button.dataset.do}`, body);
  say(button, found.messages ?? found.remarks ?? (found.changed ? ["Saved."] : []));
  if (found.reload) location.reload();
  if (found.ok && button.dataset.do === "write") {
    text.defaultValue = body.text;
    document.getElementById("digest").value = found.digest;
    readText();
  }
});

const waiting = new Map();
document.addEventListener("input", (event) => {
  const field = event.target.closest("[data-key]");
  if (!field) return;
  clearTimeout(waiting.get(field.id));
  waiting.set(field.id, setTimeout(async () => {
    const value = field.value;
    const found = await post("/ask/try", { key: field.dataset.key, ...typed(field) });
    if (document.getElementById(field.id)?.value === value) say(field, found.messages ?? found.remarks ?? []);
  }, 150));
});
document.addEventListener("change", async (event) => {
  const field = document.getElementById(event.target.dataset?.wayOf) ?? event.target.closest("[data-key]");
  if (!field || !(field.value || field.defaultValue)) return;
  clearTimeout(waiting.get(field.id));
  const found = await post("/do/edit", { key: field.dataset.key, was: field.dataset.was, ...typed(field) });
  say(field, found.messages ?? found.remarks ?? []);
});
document.addEventListener("submit", (event) => event.preventDefault());

// The project file as text, and a line of it. What is typed while an answer is on its way stays, unless it is given up.
const text = document.getElementById("text");
async function readText(giveUp = false) {
  if (!text || (!giveUp && text.value !== text.defaultValue)) return;
  const answer = await fetch("/text").catch(() => null);
  const found = await answer?.json();
  if (!answer?.ok) return say(text, found?.messages ?? ["The server does not answer."]);
  if (!giveUp && text.value !== text.defaultValue) return;
  text.defaultValue = found.text.replace(/\r\n?/g, "\n"); // as a field has its lines
  text.value = text.defaultValue;
  document.getElementById("digest").value = found.digest;
}
document.getElementById("reread")?.addEventListener("click", () => readText(true));
document.addEventListener("part", () => readText());
document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-line]");
  if (!button || !text) return;
  location.hash = "#file";
  turn();
  await readText();
  const lines = text.value.split("\n");
  const before = lines.slice(0, button.dataset.line - 1).join("\n").length + (button.dataset.line > 1 ? 1 : 0);
  text.focus();
  text.setSelectionRange(before, before + (lines[button.dataset.line - 1] ?? "").length);
  text.scrollTop = (text.scrollHeight / lines.length) * Math.max(0, button.dataset.line - 5);
});

// Telephones and browsers: who is let in.
const devices = document.getElementById("devices");
async function readDevices() {
  const answer = await fetch("/devices").catch(() => null);
  if (devices && answer?.ok) devices.innerHTML = (await answer.json()).html;
}
document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-let]");
  if (!button) return;
  const found = await post(`/devices/${button.dataset.let}`, { digest: button.dataset.digest ?? "" });
  say(button, found.messages ?? []);
  if (found.html) devices.innerHTML = found.html;
});
document.addEventListener("part", (event) => {
  if (event.detail.name === "devices") readDevices();
});

function turn() {
  const names = [...document.querySelectorAll(".bar nav a")].map((link) => link.hash.slice(1));
  if (!names.length) return;
  const asked = location.hash.slice(1);
  const shown = document.querySelector("main > section:not([hidden])")?.id ?? "day";
  const name = names.includes(asked) ? asked : shown;
  for (const section of document.querySelectorAll("main > section")) section.hidden = section.id !== name;
  for (const link of document.querySelectorAll(".bar nav a")) {
    if (link.hash === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  if (name === "file") readText();
  if (name === "telephones") readDevices();
}
window.addEventListener("hashchange", turn);
for (const each of ["visibilitychange", "pageshow", "focus"]) window.addEventListener(each, () => watch(false));
turn();
setInterval(() => watch(false), beat / 2);
connect();
