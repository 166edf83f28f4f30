// A touch is meant for what the eye aimed at. So nothing is drawn anew under a finger that is down, what has just moved
// or appeared takes no touch for a moment, and the second tap of a double tap meets nothing new. Keys are not affected.

import { isDrawn } from "./shown.js";

/** Longest time between the taps of a double tap [ms]; common practice, no source. */
const SETTLE_MS = 300;
/** The click of a touch comes this much after the finger was lifted, at most [ms]; our choice. */
const CLICK_MS = 50;
/** A finger that stays down for longer stops nothing [ms]; our choice. */
const HELD_MS = 2000;
/** Less than this is no move [px]; our choice. */
const MOVED_PX = 8;

const timers = new WeakMap();
let isDown = false;
let lifted = 0;
const held = new Map();

/** Make an element and all in it deaf to touches for a moment. */
export function settle(node) {
  clearTimeout(timers.get(node));
  node.classList.add("settling");
  timers.set(node, setTimeout(() => node.classList.remove("settling"), SETTLE_MS));
}

/** Return the same drawing, put off while a finger is down; then the newest is drawn. */
export const notUnderAFinger = (draw) => (value) => {
  if (isDown) held.set(draw, value);
  else draw(value);
};

function lift() {
  isDown = false;
  const due = [...held];
  held.clear();
  for (const [draw, value] of due) draw(value);
}

function liftAfter(wait_ms) {
  clearTimeout(lifted);
  lifted = setTimeout(lift, wait_ms);
}

addEventListener("pointerdown", () => { isDown = true; liftAfter(HELD_MS); }, true);
for (const kind of ["pointerup", "pointercancel"]) addEventListener(kind, () => { if (isDown) liftAfter(CLICK_MS); }, true);

/** Return the same drawing, after which those that have moved or appeared must settle. */
export const settling = (selector, draw) => (value) => {
  const all = () => [...document.querySelectorAll(selector)].map((node) => [node, node.getBoundingClientRect()]);
  const before = new Map(all());
  draw(value);
  for (const [node, { top, left, height }] of all()) {
    const was = before.get(node);
    if (height && (!was?.height || Math.abs(top - was.top) > MOVED_PX || Math.abs(left - was.left) > MOVED_PX)) settle(node);
  }
};

/** Return the same drawing, after which the focus is in the line of the list that has taken the place of its own. */
export const focusKept = (list, draw) => (value) => {
  const focused = document.activeElement;
  const line = [...list.children].findIndex((node) => node.contains(focused));
  draw(value);
  if (line < 0) return;
  if (focused.isConnected && isDrawn(focused)) {
    focused.focus({ preventScroll: true });  // one that was moved in the document has lost it
    return;
  }
  const next = list.children[Math.min(line, list.children.length - 1)] ?? list.closest("section");
  next.tabIndex = -1;
  next.focus({ preventScroll: true });
};
