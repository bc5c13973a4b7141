"use strict";
// A pull chosen in the list stands above the newest one until it is chosen again; files are sent as they are.
const chosen = document.getElementById("chosen");
let chosenKey = "";

async function choose(key) {
  chosenKey = key;
  const found = key ? await post("ask/pull", { key }) : { ok: false };
  if (chosenKey !== key) return;
  chosen.hidden = !found.ok;
  chosen.innerHTML = found.ok ? found.html : "";
  for (const button of document.querySelectorAll("[data-pull]")) button.setAttribute("aria-pressed", String(button.dataset.pull === chosenKey));
}

document.addEventListener("click", (event) => {
  const pull = event.target.closest("[data-pull]");
  if (pull) choose(pull.dataset.pull === chosenKey ? "" : pull.dataset.pull);
  const go = event.target.closest("[data-go]");
  if (!go) return;
  event.preventDefault();
  const card = document.querySelector('[data-part="pull"]');
  const to = { pulls: document.getElementById("pulls"), note: card.querySelector("input"), leave: card.querySelector('[data-do="leave_out"]') }[go.dataset.go];
  to?.scrollIntoView({ block: "center" });
  to?.focus?.();
});
document.addEventListener("part", (event) => {
  if (event.detail.name === "pulls" && chosenKey && document.activeElement?.closest("#chosen") === null) choose(chosenKey);
});
document.addEventListener("change", async (event) => {
  const field = event.target.closest("[data-upload]");
  if (!field || !field.files.length) return;
  const file = field.files[0];
  const path = `do/${field.dataset.upload}?name=${encodeURIComponent(file.name)}`;
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/octet-stream", "X-Phaseopt": "1" }, body: file });
    say(field, (await answer.json()).messages ?? [`${file.name} was added.`]);
  } catch {
    say(field, ["The server does not answer. Nothing was written."]);
  }
  field.value = "";
});
