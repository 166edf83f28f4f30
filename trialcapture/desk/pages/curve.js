// Small drawings: bands with their ± against engine speed, and the last two minutes.

const SVG = "http://www.w3.org/2000/svg";

function draw(name, attributes, text = null) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== null) node.textContent = text;
  return node;
}

const known = (x) => typeof x === "number" && Number.isFinite(x);

/** Round steps of an axis: 1, 2 or 5 times a power of ten, some `count` of them. */
export function ticks(least, most, count) {
  const rough = (most - least) / count;
  if (!(rough > 0)) return [];
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= rough);
  const first = Math.ceil(least / step);
  const last = Math.floor(most / step + 1e-9);
  return Array.from({ length: last - first + 1 }, (_, i) => Number(((first + i) * step).toPrecision(12)));
}

/**
 * Draw points with ± and labels over engine speed.
 * The points carry their own labels, so that no number need be converted for an axis.
 * @param points [{x: rpm, y, pm, label, whole: both ways}]
 */
export function drawCurve(svg, points, { title, base }) {
  const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
  const good = points.filter((p) => known(p.x) && known(p.y)).sort((one, other) => one.x - other.x);
  const left = 14, right = width - 20, top = 46, bottom = height - 24;
  const nodes = [draw("text", { x: left, y: 14, class: "title" }, title)];
  if (good.length === 0) {
    nodes.push(draw("text", { x: width / 2, y: height / 2, class: "empty", "text-anchor": "middle" }, "not known yet"));
    svg.replaceChildren(...nodes);
    return;
  }
  let x0 = good[0].x, x1 = good.at(-1).x;
  const room = Math.max(100, (x1 - x0) * 0.06);
  x0 -= room; x1 += room;
  const y1 = Math.max(...good.map((p) => p.y + (p.pm ?? 0))) * 1.04 || 1;
  const x = (v) => left + ((v - x0) / (x1 - x0)) * (right - left);
  const y = (v) => bottom - ((v - base) / (y1 - base)) * (bottom - top);
  nodes.push(draw("line", { x1: left, x2: right, y1: bottom, y2: bottom, class: "axis" }));
  for (const at of ticks(x0, x1, 6)) {
    nodes.push(draw("line", { x1: x(at), x2: x(at), y1: bottom, y2: bottom + 4, class: "axis" }));
    nodes.push(draw("text", { x: x(at), y: height - 6, class: "tick", "text-anchor": "middle" }, String(at)));
  }
  nodes.push(draw("text", { x: right, y: bottom - 5, class: "tick", "text-anchor": "end" }, "rpm"));
  nodes.push(draw("polyline", { points: good.map((p) => `${x(p.x).toFixed(1)},${y(p.y).toFixed(1)}`).join(" "), class: "line" }));
  let labelled = -Infinity;
  for (const p of good) {
    if (known(p.pm)) {
      const high = y(p.y + p.pm), low = y(Math.max(base, p.y - p.pm));
      nodes.push(draw("path", { d: `M${x(p.x) - 4},${high}h8M${x(p.x)},${high}V${low}M${x(p.x) - 4},${low}h8`, class: "spread" }));
    }
    nodes.push(draw("circle", { cx: x(p.x), cy: y(p.y), r: 4.5, class: p.whole ? "point" : "point half" }));
    if (x(p.x) - labelled < 30) continue;
    labelled = x(p.x);
    nodes.push(draw("text", { x: x(p.x), y: y(p.y + (p.pm ?? 0)) - 8, class: "label", "text-anchor": "middle" }, p.label));
  }
  svg.replaceChildren(...nodes);
  svg.setAttribute("aria-label", `${title} against engine speed: ${good.map((p) => `${Math.round(p.x)} rpm ${p.label}`).join(", ")}`);
}

/** Draw speed and engine speeds of the last two minutes; returns a line of words on their range. */
export function drawStrip(svg, recent, engines) {
  const t = recent?.t_s ?? [];
  const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
  if (t.length < 2) { svg.replaceChildren(); return ""; }
  const first = Math.min(-120, t[0]);
  const x = (at) => ((at - first) / (0 - first)) * width;
  const lines = [["speed", recent.sog_kn ?? [], 1], ...engines.map((engine, i) => [`rpm rpm-${i % 2}`, recent[`rpm_${engine.id}`] ?? [], 50])];
  const half = height / 2;
  const nodes = [draw("line", { x1: 0, x2: width, y1: half, y2: half, class: "axis" })];
  const speeds = lines[0][1].filter(known);
  const rpms = lines.slice(1).flatMap(([, values]) => values.filter(known));
  lines.forEach(([name, values, least], index) => {
    const all = index === 0 ? speeds : rpms;
    if (!all.length) return;
    const low = Math.min(...all), high = Math.max(...all), spread = Math.max(high - low, least), middle = (high + low) / 2;
    const [top, bottom] = index === 0 ? [4, half - 4] : [half + 4, height - 4];
    const y = (v) => bottom - ((v - (middle - spread / 2)) / spread) * (bottom - top);
    let d = "";
    let pen = false;
    values.forEach((v, i) => {
      if (!known(v)) { pen = false; return; }
      d += `${pen ? "L" : "M"}${x(t[i]).toFixed(1)},${y(v).toFixed(1)}`;
      pen = true;
    });
    nodes.push(draw("path", { d, class: name }));
  });
  svg.replaceChildren(...nodes);
  const words = [];
  if (speeds.length) words.push(`speed ${Math.min(...speeds).toFixed(1)} to ${Math.max(...speeds).toFixed(1)} kn`);
  if (rpms.length) words.push(`engines ${Math.min(...rpms).toFixed(0)} to ${Math.max(...rpms).toFixed(0)} rpm`);
  const said = words.length ? `Two minutes: ${words.join(", ")}` : "";
  svg.setAttribute("aria-label", said || "No readings in the last two minutes");
  return said;
}
