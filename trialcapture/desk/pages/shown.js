// Numbers as text. The desk sends them ready in the reader's units under `shown`; this page converts nothing.

export const DASH = "–";

/** Units and decimals of the board's own numbers, for one that `shown` does not hold. */
const OWN = [
  [/economy.*nm_per_l$/, "nm/L", 3], [/froude$/, "", 2], [/_l_per_h$/, "L/h", 1], [/_kn$/, "kn", 1],
  [/(true|towards)_deg$/, "°", 0], [/_deg$/, "°", 1], [/depth_m$/, "m", 1], [/_pct$/, "%", 0], [/^rpm/, "rpm", 0],
  [/offset_s$|^u_s$/, "s", 2], [/_per_s$/, "/s", 0], [/_s$/, "s", 1], [/_mb$/, "MB", 0], [/hours/, "h", 0],
];

const at = (object, path) => path.reduce((inner, key) => inner?.[key], object);

/** Return {text, unit, value} of the number at a path of the board; text is a dash, value null where it is unknown. */
export function figure(board, ...path) {
  const value = at(board, path);
  if (value === null || value === undefined) return { text: DASH, unit: "", value: null };
  const ready = at(board.shown, path);
  if (ready && typeof ready === "object" && "text" in ready) return { unit: "", value, ...ready };
  if (typeof value !== "number") return { text: String(value), unit: "", value: null };
  const name = String(path.at(-1));
  if (/_mb$/.test(name) && value >= 10_000) return { text: (value / 1000).toFixed(0), unit: "GB", value };
  const [, unit, decimals] = OWN.find(([like]) => like.test(name)) ?? [null, "", 0];
  const text = value.toFixed(decimals).replace("-", "−");
  return { text: /(true|towards)_deg$/.test(name) ? text.padStart(3, "0") : text, unit, value };
}

/** The same in one text. */
export function said(board, ...path) {
  const { text, unit } = figure(board, ...path);
  return unit === "" || text === DASH ? text : `${text}${unit === "°" ? "" : " "}${unit}`;
}

/** Hours, minutes and seconds. */
export function span(seconds) {
  if (seconds === null || seconds === undefined) return DASH;
  const whole = Math.max(0, Math.floor(seconds));
  const two = (n) => String(n).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}

/** The clock time of an instant, UTC. */
export const clock = (t) => /T(\d\d:\d\d:\d\d)/.exec(t ?? "")?.[1] ?? DASH;

/** A sentence in which no line ends between a number and its unit. */
export const together = (sentence) => sentence.replace(/(\d) (?=(s|min|kn|rpm|nm|m|%)\b)/g, "$1\u00a0");

/** Write a text only where it changed, so that selections, focus and screen readers are left alone. */
export function write(node, text) {
  const wanted = String(text);
  if (node.textContent !== wanted) node.textContent = wanted;
}

/** Whether an element is drawn at all; also for browsers of tablets some years old. */
export const isDrawn = (node) => node.getClientRects().length > 0;

/** Make an element; children are nodes or texts. Texts are never read as markup. */
export function make(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children);
  return node;
}

/**
 * Keep one child a list's item, in order: what stays keeps its element, and with it the focus and a touch that has
 * begun. An element leaves its place only where the order itself has changed.
 * @param create makes the element of a new item
 * @param update fills it in
 */
export function keep(parent, items, key, create, update) {
  const counts = new Map();
  const names = items.map((item, index) => {
    const name = String(key(item, index));
    counts.set(name, (counts.get(name) ?? 0) + 1);
    return `${name}\u0000${counts.get(name)}`;  // two alike are two
  });
  const wanted = new Set(names);
  for (const node of [...parent.children]) if (!wanted.has(node.dataset.key)) node.remove();
  const old = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  let place = parent.firstElementChild;  // what stands where the next item belongs
  items.forEach((item, index) => {
    let node = old.get(names[index]);
    if (!node) {
      node = create(item, index);
      node.dataset.key = names[index];
    }
    update(node, item, index);
    if (place && place !== node && place.nextElementSibling === node) {
      parent.append(place);  // it goes further down by itself; all that stands below it stays
      place = node;
    }
    if (place === node) place = node.nextElementSibling;
    else parent.insertBefore(node, place);
  });
}
