// Entries, kept until the desk has them: an entry made while the desk or the network is away is sent when it is back.

const KEY = "desk-entries-waiting";
const RETRY_MS = 2000;
/** An entry on its way for longer says how long ago it was made, by the clock of this device. */
const DELAYED_S = 1.5;
/** Above this it is no longer kept: nobody would know what it belonged to. */
const MOST_WAITING = 200;

let token = document.querySelector('meta[name="form-token"]')?.content ?? "";
let waiting = read();
let sending = false;
let watch = () => {};

function read() {
  try { return JSON.parse(sessionStorage.getItem(KEY)) ?? []; } catch { return []; }
}

function store() {
  try { sessionStorage.setItem(KEY, JSON.stringify(waiting.map(({ path, fields, wall, once }) => ({ path, fields, wall, once })))); }
  catch { /* kept in memory at least */ }
  watch(waiting.length);
}

/** Call back with the number of entries that wait, whenever it changes. */
export function onWaiting(callback) {
  watch = callback;
  watch(waiting.length);
}

/** A desk that was started again has a new token. */
async function renewToken() {
  const answer = await fetch(location.pathname, { cache: "no-store" });
  if (!answer.ok) return false;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.querySelector('meta[name="form-token"]')?.content ?? "";
  if (!fresh || fresh === token) return false;
  token = fresh;
  return true;
}

async function post(path, body) {
  const answer = await fetch(path, { method: "POST", body, headers: { Accept: "application/json" } });
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
  let answer = await post(item.path, form(item));
  if (answer.status === 403 && (await renewToken())) answer = await post(item.path, form(item));
  return answer;
}

/** Send all that waits, in order. A refused one is reported and dropped; an unreachable desk leaves them waiting. */
export async function flush() {
  if (sending) return;
  sending = true;
  try {
    while (waiting.length) {
      const item = waiting[0];
      let answer;
      try { answer = await deliver(item); } catch { break; }
      if (answer.status >= 500) break;
      waiting.shift();
      store();
      item.done?.(answer.ok ? { ok: true, told: answer.told } : { ok: false, error: fault(answer.told, answer.status) });
    }
  } finally {
    sending = false;
  }
}

/**
 * Hand over an entry.
 * @returns a promise of {ok, told | error}, or of {ok: true, later: true} where the desk cannot be reached
 */
export function send(path, fields) {
  return new Promise((resolve) => {
    if (waiting.length >= MOST_WAITING) {
      resolve({ ok: false, error: `${MOST_WAITING} entries wait for the desk already; write this one down on paper.` });
      return;
    }
    let answered = false;
    const item = { path, fields, wall: Date.now(), once: name(), done: (answer) => { if (!answered) { answered = true; resolve(answer); } } };
    waiting.push(item);
    store();
    flush().then(() => { if (!answered && waiting.includes(item)) { answered = true; resolve({ ok: true, later: true }); } });
  });
}

/** Hand over a photo; it is not kept where the desk is away, and the camera still has it. */
export async function sendPhoto(file, fields) {
  const once = name();
  const body = () => {
    const form = new FormData();
    for (const [key, value] of Object.entries({ ...fields, token, once })) form.set(key, value);
    form.set("photo", file, file.name);
    return form;
  };
  try {
    let answer = await post("/photo", body());
    if (answer.status === 403 && (await renewToken())) answer = await post("/photo", body());
    return answer.ok ? { ok: true, told: answer.told } : { ok: false, error: fault(answer.told, answer.status) };
  } catch {
    return { ok: false, error: "The desk cannot be reached. The photo is still in the camera; add it later." };
  }
}

setInterval(() => { if (waiting.length) flush(); }, RETRY_MS);
addEventListener("online", flush);
addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });
