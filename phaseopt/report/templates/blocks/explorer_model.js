"use strict";
// What is known at a pair of phases. Least clearances are looked up where the sliders can stand, never worked out here.

const known = JSON.parse(document.getElementById("explorer-data").textContent);

const TEXTS = known.cells.texts;
known.cells = known.cells.rows.map((row) => Object.fromEntries(known.cells.names.map((name, n) => [name, row[n]])));
for (const cell of known.cells) {
  cell.limited_by = cell.limited_by.map((text) => TEXTS[text]);
  cell.costs = cell.costs.map(([limit, per, cost]) => [TEXTS[limit], TEXTS[per], cost]);
}

function unpacked(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  return new Int16Array(bytes.buffer);
}

for (const contact of known.contacts) {
  for (const name of ["by_hand", "static", "swept", "apart"]) if (contact[name]) contact[name] = unpacked(contact[name]);
  if (contact.drop) contact.drop = contact.drop.map(unpacked);
}
for (const cam of Object.values(known.cams)) cam.lift = cam.lift.map(unpacked);
known.torque.mean = unpacked(known.torque.mean);
known.torque.uncertainty = unpacked(known.torque.uncertainty);

const SIDES = ["intake", "exhaust"];
const HAND = 0, STATIC = 1, RUNNING = 2; // which of the three curves of lift
const TOP = known.rpm.length; // after the speeds of the table stands the top speed

// Text of a number in the builder's unit. A clearance ("length") is rounded down and what is required ("rule", in the same
// unit) up: nothing shown may promise more than was found, or ask for less than the rules do. All else goes to the nearest.
const ROUNDED = { length: (scaled) => Math.floor(scaled + 1e-6), rule: (scaled) => Math.ceil(scaled - 1e-6) };
function shown(kind, value, sign, more = 0) {
  const unit = known.units[kind], places = unit.places + more, times = 10 ** places;
  const whole = (ROUNDED[kind] ?? Math.round)(value * unit.factor * times);
  const text = (whole / times).toFixed(places).replace("-", "−");
  return (sign && whole > 0 ? "+" : "") + text;
}

function degrees(value) {
  return `${String(Math.round(value * 1000) / 1000).replace("-", "−")}°`;
}

// The crank angle, after gas-exchange TDC, of a lobe's centre: advancing makes it less.
function centre(side, phase) {
  return known.cams[side].centre - phase;
}

function centreline(side, phase) {
  return side === "intake" ? `${degrees(centre(side, phase))} ATDC` : `${degrees(-centre(side, phase))} BTDC`;
}

function events(side, phase) {
  return [known.cams[side].opens - phase, known.cams[side].closes - phase];
}

function rowOf(cell) {
  return Math.floor(cell / known.load.length);
}

// The three least clearances of a contact at labels (i, e): by hand, at least, and worst case running at a speed by number.
function leastGaps(contact, i, e, speed) {
  const at = i * known.phases.exhaust.length + e;
  return [contact.by_hand[at] / 1000, contact.static[at] / 1000, contact.swept[at] / 1000 - contact.taken[speed]];
}

// Up to the top speed, at labels (i, e): "clear", "tight" or "hits".
function verdictAt(contact, i, e) {
  const [, still, running] = leastGaps(contact, i, e, TOP);
  if (still <= 0 || running <= 0) return "hits";
  return still >= contact.required && running >= contact.reserve ? "clear" : "tight";
}

function pairVerdict(i, e) {
  const all = known.contacts.map((contact) => verdictAt(contact, i, e));
  return all.includes("hits") ? "hits" : all.includes("tight") ? "tight" : "clear";
}

// Where a value stands in a rising axis: the node below it and the share of the way to the next.
function between(axis, value) {
  if (axis.length === 1) return [0, 0];
  let low = 0;
  while (low < axis.length - 2 && axis[low + 1] <= value) low += 1;
  return [low, Math.min(Math.max((value - axis[low]) / (axis[low + 1] - axis[low]), 0), 1)];
}

// Torque, its uncertainty and whether the model speaks, in a cell at phases: on straight lines between nodes; null unknown.
function torqueAt(cell, intake, exhaust) {
  const { intake: a, exhaust: b, mean, uncertainty, unit } = known.torque;
  const [i, u] = between(a, intake), [k, v] = known.tied ? [0, 0] : between(b, exhaust);
  let sum = 0, spread = 0, reach = true;
  for (const [di, wi] of [[0, 1 - u], [1, u]]) {
    for (const [dk, wk] of [[0, 1 - v], [1, v]]) {
      if (wi * wk === 0) continue;
      const at = (cell * a.length + i + di) * b.length + k + dk;
      if (mean[at] === -32768) return null;
      reach = reach && uncertainty[at] >= 0;
      sum += wi * wk * mean[at] * unit;
      spread += wi * wk * (uncertainty[at] < 0 ? -1 - uncertainty[at] : uncertainty[at]) * unit;
    }
  }
  return { mean: sum, uncertainty: spread, reach };
}

// Lift at a crank angle from the lobe's centre, mm, for drawing.
function liftAt(side, which, angle) {
  const cam = known.cams[side], curve = cam.lift[which], place = angle - cam.lift_from, low = Math.floor(place);
  if (low < 0 || low >= curve.length - 1) return 0;
  return (curve[low] + (curve[low + 1] - curve[low]) * (place - low)) / 1000;
}

// Clearance of a contact at a crank angle, mm, for drawing: by hand, at least or running at a speed by number.
function gapOverAngle(contact, which, angle, phases, speed) {
  const taken = which === HAND ? 0 : contact.static_mm + (which === RUNNING ? contact.taken[speed] : 0);
  if (contact.drop) {
    const side = contact.sides[0], drop = contact.drop[which === HAND ? 0 : 1];
    const place = angle - contact.drop_from, low = Math.min(Math.floor(place), drop.length - 2);
    const at = (drop[low] + (drop[low + 1] - drop[low]) * (place - low)) / 1000;
    return at - liftAt(side, which, angle - centre(side, phases[side])) - taken;
  }
  const lifts = SIDES.map((side) => liftAt(side, which, angle - centre(side, phases[side])));
  const count = Math.round(Math.sqrt(contact.apart.length));
  const places = lifts.map((lift, k) => Math.min(lift / contact.steps[k], count - 1));
  const [i, k] = places.map((place) => Math.min(Math.floor(place), count - 2));
  const u = places[0] - i, v = places[1] - k;
  const at = (di, dk) => contact.apart[(i + di) * count + k + dk] / 1000;
  return (1 - u) * ((1 - v) * at(0, 0) + v * at(0, 1)) + u * ((1 - v) * at(1, 0) + v * at(1, 1)) - taken;
}
