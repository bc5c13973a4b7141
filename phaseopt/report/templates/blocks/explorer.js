// Cells that open, sliders that move, and what is said of it.

const chosen = { cell: 0, intake: 0, exhaust: 0 }; // labels by number
const part = (name) => document.getElementById(`explorer-${name}`);
const sliders = [...document.querySelectorAll("#explorer input[type=range]")];
const grids = [...document.querySelectorAll("table.phases")].map((table) => [...table.querySelectorAll("tbody td")]);

function phasesNow() {
  return { intake: known.phases.intake[chosen.intake], exhaust: known.phases.exhaust[chosen.exhaust] };
}

function labelOf(side, phase) {
  let best = 0;
  known.phases[side].forEach((at, n) => {
    if (Math.abs(at - phase) < Math.abs(known.phases[side][best] - phase)) best = n;
  });
  return best;
}

function atOwnTiming() {
  const own = known.cells[chosen.cell].phases, now = phasesNow();
  return Math.abs(own[0] - now.intake) < 1e-6 && Math.abs(own[1] - now.exhaust) < 1e-6;
}

function openCell(cell, focus) {
  chosen.cell = cell;
  SIDES.forEach((side, n) => (chosen[side] = labelOf(side, known.cells[cell].phases[n])));
  for (const cells of grids) {
    cells.forEach((td, n) => {
      td.tabIndex = n === cell ? 0 : -1;
      td.setAttribute("aria-selected", n === cell);
    });
  }
  if (focus) focus[cell].focus();
  draw();
}

function slide(side, label) {
  chosen[side] = label;
  if (known.tied) chosen[side === "intake" ? "exhaust" : "intake"] = labelOf("exhaust", known.phases.intake[label]);
  draw();
}

let waiting = false;
function draw() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    if (!signal?.aborted) drawNow(); // its part of the page may have been made anew
  });
}

function drawNow() {
  const now = phasesNow(), row = rowOf(chosen.cell), rpm = known.rpm[row];
  part("cell").textContent = `${rpm} rpm, ${known.load[chosen.cell % known.load.length]} kPa`;
  part("running").textContent = `running, ${rpm} rpm`;
  document.querySelectorAll(".explorer-speed").forEach((span) => (span.textContent = rpm));
  for (const slider of sliders) {
    const side = slider.dataset.side, words = `${degrees(now[side])}, centreline ${centreline(side, now[side])}`;
    slider.value = chosen[side];
    slider.setAttribute("aria-valuetext", words);
    slider.parentElement.querySelector("output").textContent = words;
  }
  part("back").disabled = atOwnTiming();
  tellVerdict(now);
  tellTorque(now);
  tellGaps(row);
  picture("map", (canvas) => drawTorque(canvas, chosen.cell, now));
  picture("events", (canvas) => {
    drawEvents(canvas, now);
    return eventWords(now);
  });
  known.contacts.forEach((contact, n) => {
    drawContact(part(`contact-${n}`), contact, now, row);
    part(`contact-${n}`).setAttribute("aria-label", `Clearance over crank angle, ${contact.name}: ${verdictWords(contact)}`);
  });
}

function picture(name, made) {
  const words = made(part(name));
  part(name).setAttribute("aria-label", words);
  part(`${name}-words`).textContent = words;
}

function verdictWords(contact) {
  const word = verdictAt(contact, chosen.intake, chosen.exhaust);
  return word.toUpperCase();
}

function inClamps(now) {
  return SIDES.every((side) => now[side] >= known.clamps[side][0] - 1e-6 && now[side] <= known.clamps[side][1] + 1e-6);
}

function tellVerdict(now) {
  const verdict = pairVerdict(chosen.intake, chosen.exhaust), up = `up to ${known.top} rpm`;
  const words = {
    clear: `CLEAR: clearance is enough here ${up}.`,
    tight: `TIGHT: clearance is under your minimum here ${up}.`,
    hits: `HITS: valve meets piston or valve here, ${up}.`,
  }[verdict];
  const fault = !inClamps(now) ? " Outside the clamps: only a fault, or tables of another kind, would take the phasers here."
    : verdict === "clear" ? "" : " The clamps allow it: the tables are the only guard here.";
  part("verdict").textContent = words + fault;
  part("verdict").dataset.verdict = verdict;
}

function tellTorque(now) {
  const own = known.cells[chosen.cell], unit = known.units.torque.unit, lines = [];
  if (atOwnTiming()) {
    lines.push(own.torque === null ? "Torque is not known here."
      : `Expected torque ${shown("torque", own.torque)} ± ${shown("torque", known.interval * own.torque_sd)} ${unit}, ` +
        (own.gain === null ? "torque before not known."
          : `${shown("torque", own.gain, true)} ± ${shown("torque", known.interval * own.gain_sd)} against before.`));
    lines.push(own.limited_by.length ? `Limited here by: ${own.limited_by.join("; ")}.` : "Torque alone decides here.");
    if (own.costs.length) {
      lines.push(`What limits cost this cell: ${own.costs.map(([limit, per, cost]) =>
        `${limit} ${shown("torque", cost, true, 1)} ${unit} for ${per === "degree" ? "a degree" : per}`).join("; ")}.`);
    }
  } else {
    const found = torqueAt(chosen.cell, now.intake, now.exhaust);
    lines.push(found === null ? "Torque is not known here."
      : `Expected torque about ${shown("torque", found.mean)} ± ${shown("torque", known.interval * found.uncertainty)} ${unit}` +
        (own.torque === null ? "." : `, ${shown("torque", found.mean - own.torque, true)} against the table's own timing.`));
    if (found && !found.reach) lines.push("The torque model does not speak of this timing: a guess.");
  }
  if (!own.in_reach) lines.push("The torque model does not speak of this cell.");
  else if (!own.measured) lines.push("This cell is outside the tested range: its torque is from simulation.");
  part("torque").replaceChildren(...lines.map((text) => element("li", text)));
}

function tellGaps(row) {
  const own = atOwnTiming();
  part("gaps").replaceChildren(...known.contacts.map((contact, n) => {
    const [hand, still, running] = own ? known.cells[chosen.cell].gaps[n] : leastGaps(contact, chosen.intake, chosen.exhaust, row);
    const top = leastGaps(contact, chosen.intake, chosen.exhaust, TOP)[2];
    const tr = document.createElement("tr"), head = element("th", contact.name);
    head.scope = "row";
    const unit = known.units.length.unit;
    const cells = [["length", hand], ["length", still], ["rule", contact.required], ["length", running],
      ["length", top], ["rule", contact.reserve]];
    tr.append(head, ...cells.map(([kind, value]) => element("td", `${shown(kind, value)} ${unit}`)),
      element("td", verdictWords(contact)));
    for (const [k, th] of [...part("gaps").closest("table").querySelectorAll("thead th")].entries()) tr.cells[k].dataset.h = th.textContent;
    return tr;
  }));
}

function eventWords(now) {
  const words = (angle) => {
    const whole = Math.round(Math.abs(angle) * 10) / 10, bottom = Math.abs(angle) > 90;
    const from = bottom ? Math.round(Math.abs(180 - Math.abs(angle)) * 10) / 10 : whole;
    const after = bottom ? (angle > 0) === (Math.abs(angle) > 180) : angle > 0;
    return `${from}° ${after ? "after" : "before"} ${bottom ? "BDC" : "TDC"}`;
  };
  const [ivo, ivc] = events("intake", now.intake), [evo, evc] = events("exhaust", now.exhaust);
  const lift = `${shown("lift", known.check_lift)} ${known.units.length.unit}`;
  return `Valve events at ${lift} of lift, lash as set. Intake opens (IVO) ${words(ivo)}, closes (IVC) ${words(ivc)}. ` +
    `Exhaust opens (EVO) ${words(evo)}, closes (EVC) ${words(evc)}. Overlap ${degrees(Math.round((evc - ivo) * 10) / 10)}.`;
}

function element(name, text) {
  const found = document.createElement(name);
  found.textContent = text;
  return found;
}

function step(key, cell) {
  const wide = known.load.length, last = known.cells.length - 1, column = cell % wide;
  const to = { ArrowLeft: cell - 1, ArrowRight: cell + 1, ArrowUp: cell - wide, ArrowDown: cell + wide,
    Home: cell - column, End: cell - column + wide - 1 }[key];
  const sideways = key === "ArrowLeft" || key === "ArrowRight";
  if (to === undefined || to < 0 || to > last || (sideways && rowOf(to) !== rowOf(cell))) return cell;
  return to;
}

function begin() {
  for (const cells of grids) {
    cells[0].closest("table").setAttribute("role", "grid");
    cells.forEach((td, n) => {
      td.setAttribute("role", "gridcell");
      td.addEventListener("click", () => openCell(n, cells));
      td.addEventListener("keydown", (event) => {
        if (event.key === "Enter") part("cell").focus();
        const to = step(event.key, n);
        if (to === n) return;
        event.preventDefault();
        openCell(to, cells);
      });
    });
  }
  for (const slider of sliders) {
    slider.max = known.phases[slider.dataset.side].length - 1;
    slider.addEventListener("input", () => slide(slider.dataset.side, Number(slider.value)));
  }
  part("back").addEventListener("click", () => openCell(chosen.cell));
  window.addEventListener("resize", draw, { signal });
  window.addEventListener("beforeprint", drawNow, { signal });
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw, { signal });
  document.getElementById("explorer").hidden = false;
  openCell(known.load.length - 1 + known.load.length * Math.floor(known.rpm.length / 2));
}

begin();
