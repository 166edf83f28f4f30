// Entries, kept until the desk has them: an entry made while the desk or the network is away is sent when it is back.

const KEY = "desk-entries-waiting";
const PHOTOS = "desk-photos-unanswered";
const RETRY_MS = 2000;
/** An entry on its way for longer says how long ago it was made, by the clock of this device. */
const DELAYED_S = 1.5;
/** Above this it is no longer kept: nobody would know what it belonged to. */
const MOST_WAITING = 200;
/** A network that is cut says nothing: an entry without an answer for so long is sent again, and taken once. */
const ANSWER_MS = 10_000;
/** So long whoever made an entry waits for the answer; then it is said to be kept, and they go on. */
const PATIENCE_MS = 4000;

let token = document.querySelector('meta[name="form-token"]')?.content ?? "";
let waiting = readList(KEY).map((item) => ({ ...item, late: true }));
let sending = null;
let watch = () => {};
let refused = () => {};

function readList(key) {
  try { return JSON.parse(sessionStorage.getItem(key)) ?? []; } catch { return []; }
}

function store() {
  try { sessionStorage.setItem(KEY, JSON.stringify(waiting.map(({ path, fields, wall, once }) => ({ path, fields, wall, once })))); }
  catch { /* kept in memory at least */ }
  watch(delayed());
}

/** How many entries wait: one that is on its way and not overdue does not. */
const delayed = () => waiting.filter(({ late }) => late).length;

/**
 * Call back with the number of entries that wait, whenever it changes, and with the reason where one that waited is
 * refused in the end.
 */
export function onWaiting(callback, onRefused) {
  watch = callback;
  refused = onRefused;
  watch(delayed());
}

/** A desk that was started again has a new token. */
async function renewToken() {
  const answer = await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) });
  if (!answer.ok) return false;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.querySelector('meta[name="form-token"]')?.content ?? "";
  if (!fresh || fresh === token) return false;
  token = fresh;
  return true;
}

async function post(path, body, signal) {
  const answer = await fetch(path, { method: "POST", body, signal, headers: { Accept: "application/json" } });
  const text = await answer.text();
  let told = {};
  try { told = JSON.parse(text); } catch { told = { error: text.trim().slice(0, 400) }; }
  return { ok: answer.ok, status: answer.status, told };
}

/** An entry has a name of its own, so that one sent twice, because the answer was lost, is taken once. */
const name = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");

function form({ fields, wall, once }) {
  const body = new URLSearchParams({ ...fields, token, once });
  const ago_s = (Date.now() - wall) / 1000;
  if (ago_s > DELAYED_S) body.set("ago_s", ago_s.toFixed(1));
  return body;
}

/** What the desk says against an entry. */
function fault(told, status) {
  const said = told?.error ?? told?.detail ?? told?.message;
  return typeof said === "string" && said ? said : `The desk refused it (${status}).`;
}

async function deliver(item) {
  const once = () => post(item.path, form(item), AbortSignal.timeout(ANSWER_MS));
  let answer = await once();
  if (answer.status === 403 && (await renewToken())) answer = await once();
  return answer;
}

async function sendAll() {
  while (waiting.length) {
    const item = waiting[0];
    let answer;
    try { answer = await deliver(item); } catch { break; }
    if (answer.status >= 500) break;
    waiting.shift();
    store();
    const told = answer.ok ? { ok: true, told: answer.told } : { ok: false, error: fault(answer.told, answer.status) };
    if (item.done) item.done(told);
    else if (!told.ok) refused(item.path, told.error);
  }
  sending = null;  // before anybody who hears the last answer sends the next entry
  markDelayed();
}

/** Whatever was not taken at once is said to wait. */
function markDelayed() {
  for (const item of waiting) item.late = true;
  watch(delayed());
}

/**
 * Send all that waits, in order. A refused one is reported and dropped; an unreachable desk leaves them waiting.
 * @returns a promise that is kept when all is sent that can be, also where the sending had begun already
 */
export function flush() {
  if (!sending && waiting.length) sending = sendAll();
  return sending ?? Promise.resolve();
}

/**
 * Hand over an entry.
 * @returns a promise of {ok, told | error}, or of {ok: true, later: true} where the desk does not answer
 */
export function send(path, fields, patience_ms = PATIENCE_MS) {
  return new Promise((resolve) => {
    if (waiting.length >= MOST_WAITING) {
      resolve({ ok: false, error: `${MOST_WAITING} entries wait for the desk already; write this one down on paper.` });
      return;
    }
    const item = { path, fields, wall: Date.now(), once: name(), late: false, done: resolve };
    waiting.push(item);
    store();
    const goOn = () => {
      if (!waiting.includes(item)) return;
      item.done = null;  // a refusal is told when it is known
      resolve({ ok: true, later: true });
    };
    flush().then(goOn);
    setTimeout(goOn, patience_ms);
  });
}

/** Photos without an answer by which picture and words they are, with the name each was sent by: who adds one again means the same one. */
const unanswered = new Map(readList(PHOTOS));

function keepUnanswered() {
  try { sessionStorage.setItem(PHOTOS, JSON.stringify([...unanswered].slice(-MOST_WAITING))); } catch { /* kept in memory at least */ }
}

/** Hand over a photo; it is not kept where the desk is away, and the camera still has it. */
export async function sendPhoto(file, fields) {
  const which = JSON.stringify([file.name, file.size, file.lastModified, fields]);
  const once = unanswered.get(which) ?? name();
  unanswered.set(which, once);
  keepUnanswered();
  const body = () => {
    const form = new FormData();
    for (const [key, value] of Object.entries({ ...fields, token, once })) form.set(key, value);
    form.set("photo", file, file.name);
    return form;
  };
  try {
    let answer = await post("/photo", body());
    if (answer.status === 403 && (await renewToken())) answer = await post("/photo", body());
    if (answer.status < 500) unanswered.delete(which);
    keepUnanswered();
    return answer.ok ? { ok: true, told: answer.told } : { ok: false, error: fault(answer.told, answer.status) };
  } catch {
    return { ok: false, error: "The desk cannot be reached. The photo is still in the camera; add it later." };
  }
}

setInterval(() => {
  if (waiting.some(({ wall }) => Date.now() - wall > RETRY_MS)) markDelayed();
  if (waiting.length) flush();
}, RETRY_MS);
addEventListener("online", flush);
addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });
