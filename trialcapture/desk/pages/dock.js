// The dock page: what is unsaved is said, the preflight is followed, and nobody starts on settings that are not saved.
import { followWork, cell, sendOnce } from "/page/work.js";

const form = document.getElementById("settings-form");
const unsaved = document.getElementById("unsaved");
const start = document.querySelector(".start");
const listen = document.querySelector("#preflight form button");
const startsDisabled = new Map([start, listen].filter(Boolean).map((button) => [button, button.disabled]));
let sending = false;

/** What an entry says now, as the server compares it. */
function typedIn(home) {
  const ticks = [...home.querySelectorAll('input[type="checkbox"]')];
  if (ticks.length) return ticks.filter((t) => t.checked).map((t) => t.value).sort().join("\n");
  const entry = home.querySelector("input:not([type=hidden]), select, textarea");
  return entry ? entry.value.trim() : "";
}

function mark() {
  let count = 0;
  for (const home of form.querySelectorAll("[data-shown]")) {
    const ticks = home.querySelector('.ticks');
    const shown = ticks ? home.dataset.shown.split("\n").filter(Boolean).sort().join("\n") : home.dataset.shown.trim();
    const changed = typedIn(home) !== shown;
    home.classList.toggle("is-changed", changed);
    count += changed;
  }
  count += form.querySelectorAll('.removal input:checked').length;
  unsaved.textContent = count ? `${count} ${count === 1 ? "entry is" : "entries are"} not saved` : "";
  for (const [button, was] of startsDisabled) button.disabled = was || count > 0;
  return count;
}

sendOnce();
addEventListener("pageshow", () => { sending = false; });

if (form) {
  form.addEventListener("input", mark);
  form.addEventListener("change", mark);
  form.addEventListener("submit", () => { sending = true; });
  addEventListener("beforeunload", (event) => { if (!sending && mark()) event.preventDefault(); });
  addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") {
      event.preventDefault();
      form.requestSubmit(form.querySelector(".save-bar .main"));
    }
  });
  mark();
  const wrong = form.querySelector(".fault");
  if (wrong) {
    for (let home = wrong.closest("details"); home; home = home.parentElement?.closest("details")) home.open = true;
    wrong.scrollIntoView({ block: "center" });
    wrong.parentElement.querySelector("input:not([type=hidden]), select, textarea")?.focus({ preventScroll: true });
  }
  // a link into a table that is folded opens it
  const unfold = () => {
    const home = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (home?.tagName === "DETAILS") home.open = true;
  };
  addEventListener("hashchange", unfold);
  unfold();
}

const WORDS = { ok: "✓ ok", missing: "✕ missing", warning: "! look", later: "… later", unknown: "? not known" };

followWork("preflight", "Listening", (result) => {
  const place = document.getElementById("preflight-result");
  const verdict = document.createElement("p");
  verdict.className = "verdict";
  verdict.textContent = result.ready ? "Ready. " : "Not ready: something the trial needs is missing. ";
  const when = document.createElement("small");
  when.textContent = result.t;
  verdict.append(when);
  const table = document.createElement("table");
  table.className = "checks";
  const head = table.createTHead().insertRow();
  for (const words of ["State", "What", "Seen", "How to mend it"]) head.append(cell("th", words, "col"));
  const body = table.createTBody();
  for (const check of result.checks) {
    const row = body.insertRow();
    row.className = `check-${check.state}`;
    row.append(cell("td", WORDS[check.state] ?? check.state), cell("th", check.name, "row"), cell("td", check.seen), cell("td", check.remedy));
  }
  const heard = document.createElement("details");
  const summary = document.createElement("summary");
  summary.textContent = "What was heard, field by field";
  const lines = document.createElement("pre");
  lines.textContent = result.sentences.join("\n");
  heard.append(summary, lines);
  place.replaceChildren(verdict, table, heard);
  const step = document.getElementById("step-preflight");
  step.className = result.ready ? "met" : "open";
  step.querySelector("span").textContent = result.ready ? "ready" : "something is missing";
});
