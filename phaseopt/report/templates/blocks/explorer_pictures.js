// The drawings, on canvases that take the page's colours.

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

// A canvas ready to draw on, at the resolution of the screen: its context, width and height in CSS pixels.
function sheet(canvas, share) {
  const width = canvas.clientWidth || 480, height = Math.round(width * share), dense = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * dense) || canvas.height !== Math.round(height * dense)) {
    canvas.width = Math.round(width * dense);
    canvas.height = Math.round(height * dense);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "12px sans-serif";
  pen.lineJoin = "round";
  return { pen, width, height };
}

function ticks(low, high, about) {
  const rough = (high - low) / about, size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * size).find((n) => n >= rough * 0.999);
  const found = [];
  for (let at = Math.ceil(low / step - 1e-9) * step; at <= high + 1e-9 * step; at += step) found.push(at);
  return found.map((at) => Math.round(at * 1e6) / 1e6);
}

// Axes with ticks, grid lines and titles; returns how to place a value.
function axes(page, x, y, titles) {
  const { pen, width, height } = page, left = 50, right = 10, top = 10, bottom = 38;
  const px = (value) => left + ((value - x[0]) / (x[1] - x[0])) * (width - left - right);
  const py = (value) => height - bottom - ((value - y[0]) / (y[1] - y[0])) * (height - top - bottom);
  pen.strokeStyle = colour("rule");
  pen.fillStyle = colour("ink");
  pen.lineWidth = 0.5;
  pen.textAlign = "center";
  for (const at of ticks(x[0], x[1], width / 70)) {
    line(pen, [[px(at), py(y[0])], [px(at), py(y[1])]]);
    pen.fillText(String(at).replace("-", "−"), px(at), height - bottom + 15);
  }
  pen.textAlign = "right";
  for (const at of titles[1] ? ticks(y[0], y[1], height / 45) : []) {
    line(pen, [[px(x[0]), py(at)], [px(x[1]), py(at)]]);
    pen.fillText(String(at).replace("-", "−"), left - 5, py(at) + 4);
  }
  pen.textAlign = "center";
  pen.fillText(titles[0], (left + width - right) / 2, height - 5);
  pen.save();
  pen.translate(12, (top + height - bottom) / 2);
  pen.rotate(-Math.PI / 2);
  pen.fillText(titles[1], 0, 0);
  pen.restore();
  return { px, py, inside: [left, top, width - left - right, height - top - bottom] };
}

function line(pen, points) {
  pen.beginPath();
  points.forEach(([x, y], n) => (n ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}

function clipped(pen, box, draw) {
  pen.save();
  pen.beginPath();
  pen.rect(...box);
  pen.clip();
  draw();
  pen.restore();
}

// A mark that is seen on any ground: dark inside light.
function marker(pen, x, y, kind) {
  for (const [style, size] of [["#ffffff", 4], ["#000000", 2]]) {
    pen.strokeStyle = style;
    pen.lineWidth = size;
    pen.beginPath();
    if (kind === "chosen") pen.arc(x, y, 7, 0, 7);
    else if (kind === "before") pen.rect(x - 5, y - 5, 10, 10);
    pen.stroke();
    if (kind === "slider") {
      line(pen, [[x - 10, y], [x + 10, y]]);
      line(pen, [[x, y - 10], [x, y + 10]]);
    }
  }
}

const MARKS = "Ring: what the table holds. Square: before. Cross: the sliders.";

// Torque of a cell over both phases, or over the one that moves.
function drawTorque(canvas, cell, phases) {
  const page = sheet(canvas, 0.75), { intake, exhaust } = known.torque;
  if (intake.length > 1 && exhaust.length > 1) return drawPlane(page, cell, phases);
  return drawLine(page, cell, phases, exhaust.length > 1 ? "exhaust" : "intake");
}

function edges(axis) {
  return axis.map((at, n) => [n ? (axis[n - 1] + at) / 2 : at, n < axis.length - 1 ? (at + axis[n + 1]) / 2 : at]);
}

function drawPlane(page, cell, phases) {
  const { pen } = page, { intake, exhaust } = known.torque, own = known.cells[cell];
  const ends = (axis) => [axis[0] - 1, axis[axis.length - 1] + 1];
  const at = axes(page, ends(intake), ends(exhaust), ["intake phase, crank °, + = advanced", "exhaust phase, crank °"]);
  const nodes = intake.map((a) => exhaust.map((b) => torqueAt(cell, a, b)));
  const values = nodes.flat().filter((node) => node).map((node) => node.mean);
  const low = Math.min(...values), high = Math.max(...values), last = known.colours.length - 1;
  const across = edges(intake), up = edges(exhaust);
  nodes.forEach((row, i) => row.forEach((node, k) => {
    if (!node) return;
    pen.fillStyle = known.colours[Math.round(((node.mean - low) / (high - low || 1)) * last)];
    const x = at.px(across[i][0]), y = at.py(up[k][1]);
    pen.fillRect(x, y, at.px(across[i][1]) - x + 0.6, at.py(up[k][0]) - y + 0.6);
  }));
  hatch(pen, at);
  nodes.forEach((row, i) => row.forEach((node, k) => {
    if (!node || !node.reach) dot(pen, at.px(intake[i]), at.py(exhaust[k]));
  }));
  const box = known.clamps, mute = nodes.flat().some((node) => !node || !node.reach);
  for (const [style, size] of [["#ffffff", 4], ["#000000", 1.6]]) {
    pen.strokeStyle = style;
    pen.lineWidth = size;
    const x = at.px(box.intake[0]), y = at.py(box.exhaust[1]);
    pen.strokeRect(x, y, at.px(box.intake[1]) - x, at.py(box.exhaust[0]) - y);
  }
  marker(pen, at.px(own.before[0]), at.py(own.before[1]), "before");
  marker(pen, at.px(own.phases[0]), at.py(own.phases[1]), "chosen");
  marker(pen, at.px(phases.intake), at.py(phases.exhaust), "slider");
  return values.length
    ? `Expected torque over both phases, from ${shown("torque", low)} (light) to ${shown("torque", high)} ` +
      `${known.units.torque.unit} (dark). Diagonals: TIGHT, crossed: HITS, at some speed up to ${known.top} rpm. ` +
      `${mute ? "Dots: the torque model does not speak there. " : ""}Frame: the clamps${box.safe ? ", safe in any combination" : ""}. ${MARKS}`
    : "Torque of this cell is not known.";
}

// A spot that is seen on any ground.
function dot(pen, x, y) {
  for (const [style, size] of [["#ffffff", 2.5], ["#000000", 1.4]]) {
    pen.fillStyle = style;
    pen.beginPath();
    pen.arc(x, y, size, 0, 7);
    pen.fill();
  }
}

// Pairs of phases that are not clear, opaque over torque: tight with diagonals, what can hit crossed and dark.
function hatch(pen, at) {
  for (const [word, fill, ink] of [["tight", "tight-fill", "#15202B"], ["hits", "hits-fill", "#FFFFFF"]]) {
    const { intake, exhaust } = known.phases, across = edges(intake), up = edges(exhaust);
    pen.save();
    pen.beginPath();
    unsafe()[word].forEach(([i, k]) => {
      const x = at.px(across[i][0]), y = at.py(up[k][1]);
      pen.rect(x, y, at.px(across[i][1]) - x + 0.3, at.py(up[k][0]) - y + 0.3);
    });
    pen.clip();
    pen.fillStyle = colour(fill);
    pen.fillRect(...at.inside);
    pen.strokeStyle = ink;
    pen.lineWidth = 0.8;
    const [left, top, width, height] = at.inside;
    for (let x = left - height; x < left + width + height; x += 8) {
      line(pen, [[x, top + height], [x + height, top]]);
      if (word === "hits") line(pen, [[x, top + height], [x - height, top]]);
    }
    pen.restore();
  }
}

let unsafeOnes = null;
function unsafe() {
  if (!unsafeOnes) {
    unsafeOnes = { tight: [], hits: [], clear: [] };
    known.phases.intake.forEach((_, i) => known.phases.exhaust.forEach((__, k) => unsafeOnes[pairVerdict(i, k)].push([i, k])));
  }
  return unsafeOnes;
}

function drawLine(page, cell, phases, side) {
  const { pen } = page, axis = known.torque[side], number = SIDES.indexOf(side), own = known.cells[cell];
  const nodes = axis.map((phase) => torqueAt(cell, side === "intake" ? phase : 0, side === "exhaust" ? phase : 0));
  const real = nodes.filter((node) => node), factor = known.units.torque.factor;
  if (!real.length) return "Torque of this cell is not known.";
  const low = Math.min(...real.map((n) => n.mean - known.interval * n.uncertainty)) * factor;
  const high = Math.max(...real.map((n) => n.mean + known.interval * n.uncertainty)) * factor;
  const words = known.tied ? "phase of both cams" : `${side} phase`;
  const at = axes(page, [axis[0], axis[axis.length - 1]], [low, high + 0.1], [
    `${words}, crank °, + = advanced`, `torque, ${known.units.torque.unit}`]);
  shadeUnsafe(pen, at, side);
  pen.strokeStyle = colour("ink");
  for (const end of known.clamps[side]) line(pen, [[at.px(end), at.inside[1]], [at.px(end), at.inside[1] + at.inside[3]]]);
  for (const [times, size, dash] of [[0, 2, []], [known.interval, 1, [4, 3]], [-known.interval, 1, [4, 3]]]) {
    pen.lineWidth = size;
    pen.setLineDash(dash);
    const height = (n) => at.py((nodes[n].mean + times * nodes[n].uncertainty) * factor);
    for (let n = 1; n < axis.length; n += 1) {
      if (nodes[n - 1] && nodes[n]) line(pen, [[at.px(axis[n - 1]), height(n - 1)], [at.px(axis[n]), height(n)]]);
    }
  }
  pen.setLineDash([]);
  const mute = nodes.some((node) => !node || !node.reach);
  nodes.forEach((node, n) => {
    if (node && !node.reach) dot(pen, at.px(axis[n]), at.py(node.mean * factor));
  });
  const height = (phase) => {
    const found = torqueAt(cell, side === "intake" ? phase : 0, side === "exhaust" ? phase : 0);
    return at.py((found ? found.mean : 0) * factor);
  };
  marker(pen, at.px(own.before[number]), height(own.before[number]), "before");
  marker(pen, at.px(own.phases[number]), height(own.phases[number]), "chosen");
  marker(pen, at.px(phases[side]), height(phases[side]), "slider");
  const clamps = known.clamps[side];
  return `Expected torque over the ${words}; dashed, ± (95 %). Grey: not clear at some speed up to ` +
    `${known.top} rpm. Upright lines: the clamps, ${degrees(clamps[0])} to ${degrees(clamps[1])}. ` +
    `${mute ? "Dots, or no line: the torque model does not speak there. " : ""}${MARKS}`;
}

// Phases of the one cam that moves, or of both tied ones, that are not clear.
function shadeUnsafe(pen, at, side) {
  const across = edges(known.phases[side]), [, top, , height] = at.inside;
  pen.fillStyle = colour("rule");
  known.phases[side].forEach((phase, n) => {
    const pair = known.tied ? [n, labelOf("exhaust", phase)] : side === "intake" ? [n, 0] : [0, n];
    if (pairVerdict(...pair) !== "clear") pen.fillRect(at.px(across[n][0]), top, at.px(across[n][1]) - at.px(across[n][0]), height);
  });
}

// Clearance of a contact over crank angle at phases, running at a speed by number and at the top, with what each rule asks.
function drawContact(canvas, contact, phases, speed) {
  const page = sheet(canvas, 0.62), { pen } = page, { factor, unit } = known.units.length;
  const angles = [];
  for (let angle = -60; angle <= 60; angle += 1) angles.push(angle);
  const curves = [[HAND, speed], [STATIC, speed], [RUNNING, speed], [RUNNING, TOP]].map(([which, at]) =>
    angles.map((angle) => gapOverAngle(contact, which, angle, phases, at)));
  const low = Math.min(-0.9, ...curves[3]), high = Math.max(contact.required + 6, low + 6);
  const at = axes(page, [-60, 60], [low * factor, high * factor], ["crank angle, ° after gas-exchange TDC", `clearance, ${unit}`]);
  clipped(pen, at.inside, () => {
    pen.strokeStyle = colour("ink");
    curves.forEach((curve, n) => {
      pen.lineWidth = [1.4, 2, 1.8, 1.2][n];
      pen.setLineDash([[], [7, 4], [2, 3], [9, 3, 2, 3]][n]);
      line(pen, curve.map((gap, k) => [at.px(angles[k]), at.py(gap * factor)]));
    });
    for (const [rule, dash, size] of [[contact.required, [7, 4], 1], [contact.reserve, [2, 3], 1], [0, [], 2.5]]) {
      pen.lineWidth = size;
      pen.setLineDash(dash);
      line(pen, [[at.px(-60), at.py(rule * factor)], [at.px(60), at.py(rule * factor)]]);
    }
    pen.setLineDash([]);
    pen.fillStyle = colour("ink");
    pen.textAlign = "left";
    pen.fillText(`static, required ${shown("rule", contact.required)}`, at.px(-59), at.py(contact.required * factor) - 4);
    pen.fillText("they hit at 0", at.px(-59), at.py(0) + 13);
    pen.textAlign = "right";
    pen.fillText(`running, required ${shown("rule", contact.reserve)}`, at.px(59), at.py(contact.reserve * factor) - 4);
  });
}

// When each valve is open, as bars over crank angle with their degrees.
function drawEvents(canvas, phases) {
  const page = sheet(canvas, 0.5), { pen, height } = page;
  const at = axes(page, [-280, 280], [0, 2], ["crank angle, ° after gas-exchange TDC", ""]);
  const [box, lane] = [at.inside, (height - 48) / 2];
  pen.strokeStyle = colour("ink");
  pen.lineWidth = 1.5;
  line(pen, [[at.px(0), at.py(0)], [at.px(0), at.py(2)]]);
  SIDES.forEach((side, n) => {
    const [opens, closes] = events(side, phases[side]), y = box[1] + lane * (1 - n) + lane * 0.28, tall = lane * 0.44;
    pen.fillStyle = colour(n ? "exhaust" : "intake");
    pen.fillRect(at.px(opens), y, at.px(closes) - at.px(opens), tall);
    pen.strokeRect(at.px(opens), y, at.px(closes) - at.px(opens), tall);
    pen.fillStyle = colour("paper");
    pen.textAlign = "center";
    pen.fillText(side, at.px((opens + closes) / 2), y + tall / 2 + 4);
    for (const [name, angle] of [["O", opens], ["C", closes]]) {
      const text = `${n ? "EV" : "IV"}${name} ${degrees(Math.round(angle * 10) / 10)}`, wide = pen.measureText(text).width;
      pen.fillStyle = colour("paper");
      pen.fillRect(at.px(angle) - wide / 2 - 1, y - 15, wide + 2, 14);
      pen.fillStyle = colour("ink");
      pen.fillText(text, at.px(angle), y - 4);
    }
  });
}
