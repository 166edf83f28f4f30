// The stream of boards from the desk, kept alive: phones suspend tabs, networks drop, the desk may be started again.

/** Seconds without news from the desk after which figures are covered. */
const STALE_S = 2;
/** Older data is covered, however fresh the board. */
const OLD_DATA_S = 2;
/** A cover stays so long: one that comes and goes with every sentence could not be read. */
const COVERED_S = 2;
/** Seconds of silence after which the stream is opened anew. */
const WATCHDOG_S = 5;
const TICK_MS = 250;

/** Seconds since a moment, by whichever clock saw more of them: one stops in a suspended tab, the other can be set. */
const moment = () => ({ steady: performance.now(), wall: Date.now() });
const since = (then) => Math.max(0, performance.now() - then.steady, Date.now() - then.wall) / 1000;

/**
 * Follow the boards.
 * @param onBoard called with each board
 * @param onAge called four times a second with {stale, age_s, silent, trouble, ever}: whether figures must be
 *   covered, the age of the newest data, whether it is the desk that is silent, what it says is wrong, and whether
 *   there ever was a board
 */
export function follow({ onBoard, onAge }) {
  let stream = null;
  let opened = moment();
  let heard = null;
  let alive = null;
  let trouble = "";
  let data_age_s = 0;
  let recording = true;
  let covered = null;
  const started = moment();

  function open() {
    stream?.close();
    opened = moment();
    stream = new EventSource("/events");
    stream.addEventListener("board", (event) => {
      let board;
      try { board = JSON.parse(event.data); } catch { return; }  // cut off on the way; the next one is whole
      heard = alive = moment();
      trouble = "";
      data_age_s = board.data_age_s ?? 0;
      recording = board.recording;
      onBoard(board);
      tick();
    });
    stream.addEventListener("alive", (event) => {
      alive = moment();
      try { trouble = String(JSON.parse(event.data).trouble ?? ""); } catch { trouble = ""; }
      tick();
    });
  }

  function tick() {
    const old_s = heard ? since(heard) : since(started);
    const quiet_s = since(alive ?? started);
    const old = old_s > STALE_S || (recording && data_age_s > OLD_DATA_S);
    if (old) covered = moment();
    const stale = old || (recording && covered !== null && since(covered) < COVERED_S);
    onAge({ stale, silent: quiet_s > STALE_S, trouble, age_s: data_age_s + old_s, ever: heard !== null });
    if (quiet_s > WATCHDOG_S && since(opened) > WATCHDOG_S) open();
  }

  function wake() {
    if (document.visibilityState === "hidden") return;
    tick();
    if (!alive || since(alive) > STALE_S || stream.readyState === EventSource.CLOSED) open();
  }

  document.addEventListener("visibilitychange", wake);
  addEventListener("pageshow", (event) => { if (event.persisted) wake(); });
  addEventListener("online", open);
  addEventListener("pagehide", () => stream?.close());
  setInterval(tick, TICK_MS);
  open();
}

/** Words over figures that are too old. */
export const staleWords = ({ age_s, silent, trouble, ever }) => ({
  big: ever ? `NO DATA ${Math.floor(age_s)} s` : "NO DATA YET",
  small: silent
    ? (ever ? "The desk does not answer. Trying again." : "Waiting for the desk.")
    : trouble || (ever ? "The recorder writes nothing new. Look at the sources." : "The desk reads what is recorded so far."),
});

/**
 * Return a function that draws at most every so often; the newest value is always drawn in the end.
 * Large digits may change every 2 s at most (MSC/Circ.982, 5.6.1.3).
 */
export function calm(draw, least_ms = 2000) {
  let drawn = -Infinity;
  let waiting = null;
  let newest;
  function now() {
    waiting = null;
    drawn = performance.now();
    draw(newest);
  }
  return (value) => {
    newest = value;
    if (waiting !== null) return;
    const left = drawn + least_ms - performance.now();
    if (left <= 0) now();
    else waiting = setTimeout(now, left);
  };
}
