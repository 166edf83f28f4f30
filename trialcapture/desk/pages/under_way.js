// The technician's page: draws the board, and hands over what is entered.

import { drawCurve, drawStrip } from "./curve.js";
import { flush, onWaiting, send, sendPhoto } from "./entry.js";
import { calm, follow, staleWords } from "./link.js";
import { DASH, clock, figure, isDrawn, keep, make, said, span, together, write } from "./shown.js";
import { focusKept, notUnderAFinger, settle, settling } from "./touch.js";

const $ = (id) => document.getElementById(id);
const MAY_ENTER = !document.body.classList.contains("reads-only");

/** Sign and word of each state: colour is never the only sign. */
const CELL = {
  missing: ["", "open"], now: ["▶", "now"], half: ["◐", "half"], done: ["✓", "done"], refused: ["✕", "refused"],
  skipped: ["↷", "skipped"], signed_off: ["✎", "signed off"],
};
const SOURCE = { ok: ["●", "ok"], late: ["◔", "late"], lost: ["✕", "lost"], silent: ["○", "silent"] };
const RANK = { alarm: ["■", "Alarm"], warning: ["▲", "Warning"], notice: ["●", "Notice"] };
const DETECTOR = {
  no_data: "No data", moving: "Changing", settling: "Settling", holding: "Steady", held: "Held", refused: "Refused",
};
/** Common practice of safe trials; law and skipper come first. Rules 5 and 6 of COLREG ask for look-out and safe speed. */
const EVERY = ["The skipper decides, the helm agrees; local law and speed limits come first.",
  "Look-out all round, by sight and hearing. Room enough, water deep enough, nobody close."];
const CAUTIONS = {
  full_throttle: ["Before full throttle", [...EVERY, "Everybody sits and holds on; nobody forward or on the swim platform.", "Engine cut-off link on. Life jackets on. Nothing loose on deck."]],
  turn: ["Before a turn", [...EVERY, "Say which side, and wait for the answer. Everybody sits and holds on.", "Engine cut-off link on. Ease the helm at once if she trips or skids."]],
  stop: ["Before a stop", [...EVERY, "Say it aloud before the throttles come back. Everybody sits and holds on.", "The stern wave may come aboard. A crash stop only where skipper and builder agree."]],
};
const MANOEUVRE = { acceleration: "Acceleration", slow_planing: "Slowest planing", turn: "Turn", stop: "Stop", sound: "Sound" };
const TILES = [
  ["Course", "cog_true_deg"], ["Heading", "heading_true_deg"], ["Through water", "stw_kn"], ["Flow", "fuel_l_per_h"],
  ["Economy", "economy_nm_per_l"], ["Depth", "depth_m"], ["Pitch", "pitch_deg"],
];
/** Kinds of entries that people make and may take back. */
const TAKEN_BACK = new Set(["mark", "trim", "remark", "sea", "sound", "reading", "measure", "finding", "photo", "load", "hole", "conditions", "cruise", "plan_change"]);
/** A reading older than this is marked [s]. */
const OLD_S = 3;
/** What acts at once when it is touched, and stands where the page grows and shrinks. */
const ACTS_AT_ONCE = "[data-acknowledge], [data-undo], #caution-read";
/** What was asked for and is not on the board after so long may be asked for again [ms]. */
const ASKED_MS = 10_000;

let board = null;
let cautionRead = "";
let cellOpen = null;
let leaveTo = "";
let pauseAsked = null;
/** Alarms acknowledged and entries taken back that the board does not show as such yet, with when they were asked for. */
const asked = new Map();

// ---- What is drawn calmly: digits that somebody reads off.

function drawFigures(b) {
  const now = b.now ?? {};
  const speed = figure(b, "now", "sog_kn");
  write($("sog"), speed.text);
  write($("sog-unit"), speed.unit);
  $("sog").parentElement.classList.toggle("old", (now.ages_s?.sog_kn ?? 0) > OLD_S);
  keep($("engines"), now.engines ?? [], (engine) => engine.id, () => make("p", { class: "figure" },
    make("span", { class: "name" }), make("span", { class: "value" }, make("b"), make("small")), make("span", { class: "more" })),
  (node, engine, index) => {
    const rpm = figure(b, "now", "engines", index, "rpm");
    write(node.querySelector(".name"), `Engine ${engine.id}`);
    write(node.querySelector("b"), rpm.text);
    write(node.querySelector("small"), rpm.unit);
    const more = [];
    if (engine.fuel_l_per_h !== null) more.push(said(b, "now", "engines", index, "fuel_l_per_h"));
    if (engine.trim_pct !== null) more.push(`trim ${said(b, "now", "engines", index, "trim_pct")}`);
    write(node.querySelector(".more"), more.join(" · "));
    node.classList.toggle("old", (now.ages_s?.[`rpm_${engine.id}`] ?? 0) > OLD_S);
  });
  const tiles = TILES.filter(([, key]) => now[key] !== undefined).map(([name, key]) => {
    const shallow = key === "depth_m" && now.depth_froude !== null && now.depth_froude !== undefined;
    return { name, text: said(b, "now", key), more: shallow ? `depth Froude number ${said(b, "now", "depth_froude")}` : "", old: (now.ages_s?.[key] ?? 0) > OLD_S };
  });
  tiles.push({ name: "Trim entered", text: now.trim_entered ?? "not yet", more: "", old: false });
  keep($("tiles"), tiles, (tile) => tile.name, () => make("div", {}, make("dt"), make("dd", {}, make("b"), make("small"))),
    (node, tile) => {
      write(node.querySelector("dt"), tile.name);
      write(node.querySelector("b"), tile.text);
      write(node.querySelector("small"), tile.old ? "old" : tile.more);
      node.classList.toggle("old", tile.old);
    });
  write($("sentence"), together(b.advice?.sentence || "Waiting for data"));
  write($("advice-number"), b.advice?.number === null || b.advice?.number === undefined ? "" : Math.round(b.advice.number));
  write($("advice-unit"), b.advice?.number === null || b.advice?.number === undefined ? "" : b.advice.unit ?? "");
  write($("held"), b.detector?.held_s === null || b.detector?.held_s === undefined ? DASH : `${Math.floor(b.detector.held_s)} s`);
  write($("left"), b.detector?.left_s === null || b.detector?.left_s === undefined ? DASH : `${Math.ceil(b.detector.left_s)} s`);
  write($("elapsed"), span(b.elapsed_s));
  write($("safe"), said(b, "safe_age_s"));
  write($("disk"), [said(b, "disk", "free_mb"), b.disk?.hours_left !== null && b.disk?.hours_left !== undefined ? `for ${said(b, "disk", "hours_left")}` : ""].filter(Boolean).join(", "));
  write($("battery"), b.battery_pct === null || b.battery_pct === undefined ? "none, or not known" : said(b, "battery_pct"));
  write($("newest"), `${clock(b.t)} UTC`);
  drawSources(b);
  write($("strip-legend"), drawStrip($("strip"), b.recent, now.engines ?? []));
}

function drawSources(b) {
  const clocks = new Map((b.clocks ?? []).map((line, index) => [line.source, index]));
  keep($("source-list"), b.sources ?? [], (source) => source.id, () => make("li", {}, make("b"), make("span", { class: "state" }), make("p")),
    (line, source, index) => {
      const [sign, word] = SOURCE[source.state] ?? ["", source.state];
      const own = clocks.get(source.id);
      const facts = [
        `${said(b, "sources", index, "age_s")} old`, said(b, "sources", index, "rate_per_s"), `${said(b, "sources", index, "good_pct")} good`,
        source.fix, source.satellites === null || source.satellites === undefined ? "" : `${source.satellites} satellites`,
        own === undefined ? "" : `clock ${said(b, "clocks", own, "offset_s")} ± ${said(b, "clocks", own, "u_s")} from UTC`,
      ];
      write(line.querySelector("b"), source.id);
      write(line.querySelector("span"), `${sign} ${word}${source.remark ? `: ${source.remark}` : ""}`);
      write(line.querySelector("p"), facts.filter((fact) => fact && !fact.startsWith(DASH)).join(" · "));
      line.dataset.state = source.state;
    });
}

// ---- What is drawn at once: states, alarms, entries.

function drawStates(b) {
  document.body.dataset.newest = b.t ?? "";
  write($("boat"), b.boat ?? "");
  write($("session"), b.session ?? "");
  $("lamp").dataset.state = b.recording ? "recording" : "ended";
  write($("lamp-word"), b.recording ? "Recording" : "Ended");
  $("ended").hidden = b.recording !== false;
  drawTask(b);
  drawAlarms(b.alarms ?? []);
  drawEntries(b.entries ?? []);
  drawGrid(b);
  drawHoles(b);
  drawBands(b);
  document.title = `${(b.alarms ?? []).some((alarm) => !alarm.acknowledged) ? "(!) " : ""}${b.boat || "Trial"} · under way`;
}

const drawEntries = focusKept($("entries"), (entries) => {
  keep($("entries"), entries, (entry) => `${entry.t} ${entry.kind} ${entry.words}`, (entry) => {
    const line = make("li", {}, make("time"), make("b"), make("span"));
    if (MAY_ENTER && TAKEN_BACK.has(entry.kind)) line.append(make("button", { type: "button", class: "quiet", "data-undo": entry.t, "data-of": entry.kind, "aria-label": `Take back ${entry.kind} of ${clock(entry.t)}` }, "Take back"));
    return line;
  }, (node, entry) => {
    write(node.querySelector("time"), clock(entry.t));
    write(node.querySelector("b"), entry.kind.replace("_", " "));
    write(node.querySelector("span"), entry.words ?? "");
    const button = node.querySelector("button");
    if (button) showAsked(button);
  });
  $("no-entries").hidden = entries.length > 0;
});

/** What a button that acts at once asks for, by a name of its own. */
const nameOf = ({ acknowledge, since, undo, of }) => (undo ? `${undo} ${of}` : `${acknowledge} ${since}`);
const isAsked = (button) => performance.now() - (asked.get(nameOf(button.dataset)) ?? -Infinity) < ASKED_MS;
const showAsked = (button) => button.setAttribute("aria-disabled", String(isAsked(button)));

/** Ask for something once, however often its button is touched until the board shows it. */
async function askOnce(button, what, path, fields) {
  if (isAsked(button)) return;
  const name = nameOf(button.dataset);
  asked.set(name, Infinity);
  showAsked(button);
  const answer = await send(path, fields);
  if (answer.ok) asked.set(name, performance.now());
  else asked.delete(name);
  showAsked(button);
  if (!answer.ok || answer.later || path !== "/acknowledge") tell(answer, what);
}

function drawTask(b) {
  const advice = b.advice ?? {};
  const share = advice.bar === null || advice.bar === undefined ? null : Math.min(1, Math.max(0, advice.bar));
  $("bar").hidden = share === null;
  $("bar").firstElementChild.style.setProperty("--done", share ?? 0);
  if (share !== null) $("bar").setAttribute("aria-valuenow", Math.round(share * 100));
  write($("why"), advice.why === b.detector?.reason ? "" : advice.why ?? "");  // said once, beside the state
  const detector = b.detector ?? {};
  $("detector").dataset.state = detector.state ?? "";
  write($("detector-state"), DETECTOR[detector.state] ?? "");
  write($("detector-words"), detector.words ?? "");
  write($("detector-reason"), detector.reason ?? "");
  write($("run"), detector.step === null || detector.step === undefined ? DASH : `${stepName(b, detector.step)}${detector.way ? `, ${wayName(b, detector.way)}` : ""}`);
  const card = CAUTIONS[advice.caution];
  const key = card ? `${advice.caution}|${advice.at ?? ""}` : "";
  $("caution").hidden = !card || cautionRead === key;
  $("caution").dataset.of = key;
  if (card) {
    write($("caution-title"), card[0]);
    keep($("caution-list"), card[1], (text) => text, () => make("li"), write);
  }
  if (pauseAsked && (pauseAsked.begins === isPausedOn(b) || performance.now() - pauseAsked.at > ASKED_MS)) pauseAsked = null;
  if (MAY_ENTER) drawPause();
}

const isPausedOn = (b) => b?.advice?.kind === "pause";
/** Whether there is a pause, as the board says or as somebody has just asked for. */
const isPaused = () => pauseAsked?.begins ?? isPausedOn(board);

function drawPause() {
  $("pause").setAttribute("aria-pressed", String(isPaused()));
  write($("pause").firstElementChild, isPaused() ? "Go on" : "Traffic");
}

const stepName = (b, step) => (b.grid?.steps ?? []).find((s) => s.step === step)?.name ?? (typeof step === "number" ? `${step} rpm` : String(step ?? ""));
const wayName = (b, way) => (b.grid?.ways ?? []).find((w) => w.way === way)?.name ?? String(way ?? "");

const drawAlarms = focusKept($("alarm-list"), (alarms) => {
  const order = ["alarm", "warning", "notice"];
  const ranked = [...alarms].sort((one, other) => one.acknowledged - other.acknowledged || order.indexOf(one.rank) - order.indexOf(other.rank));
  const open = ranked.filter((alarm) => !alarm.acknowledged);
  $("alarms").hidden = ranked.length === 0;
  const count = $("alarms-count");
  count.disabled = ranked.length === 0;
  write(count, ranked.length === 0 ? "no alarms" : open.length === 0 ? `${ranked.length} known` : `${open.length} alarm${open.length > 1 ? "s" : ""}`);
  count.dataset.rank = open[0]?.rank ?? (ranked.length ? "known" : "none");
  keep($("alarm-list"), ranked, (alarm) => alarm.id, (alarm) => {
    const line = make("li", {}, make("b", { class: "rank" }), make("span", { class: "text" }), make("span", { class: "action" }), make("time"));
    if (MAY_ENTER) line.append(make("button", { type: "button", "data-acknowledge": alarm.id }, "Understood"));
    return line;
  }, (node, alarm) => {
    const [sign, word] = RANK[alarm.rank] ?? ["", alarm.rank];
    node.dataset.rank = alarm.rank;
    node.classList.toggle("unseen-yet", !alarm.acknowledged);
    write(node.querySelector(".rank"), `${sign} ${word}${alarm.acknowledged ? ", known" : ""}`);
    write(node.querySelector(".text"), alarm.text);
    write(node.querySelector(".action"), alarm.action);
    node.classList.toggle("known", Boolean(alarm.acknowledged));
    write(node.querySelector("time"), `since ${clock(alarm.since)}`);
    const button = node.querySelector("button");
    if (button) {
      button.hidden = Boolean(alarm.acknowledged);
      button.dataset.since = alarm.since;
      showAsked(button);
      button.setAttribute("aria-label", `Understood: ${alarm.text}`);
    }
  });
  write($("alert"), open.filter((alarm) => alarm.rank === "alarm").map((alarm) => `${alarm.text} ${alarm.action}`).join(" "));
});

function drawGrid(b) {
  const grid = b.grid ?? {};
  const steps = grid.steps ?? [];
  const ways = grid.ways ?? [];
  const cells = grid.cells ?? [];
  const done = cells.filter((cell) => cell.state === "done").length;
  write($("runs-small"), grid.is_planned === false ? "no plan is set; these are the runs so far" : `${done} of ${cells.length} done`);
  const head = $("grid").tHead;
  if (!head.rows.length) head.append(make("tr", {}, make("th", { scope: "col" }, "Step")));
  keep(head.rows[0], [{ way: "\u0000", name: "Step" }, ...ways], (way) => way.way, () => make("th", { scope: "col" }), (node, way) => write(node, way.name));
  keep($("grid").tBodies[0], steps, (step) => step.step, () => make("tr"), (row, step) => {
    const line = [null, ...ways];
    keep(row, line, (way) => (way ? way.way : "\u0000"), (way) => (way ? make("td") : make("th", { scope: "row" })), (node, way) => {
      if (!way) return write(node, step.name);
      drawCell(node, cells.find((c) => c.step === step.step && c.way === way.way), step, way, grid.next_step === step.step && grid.next_way === way.way);
    });
  });
  const wanted = b.manoeuvres ?? [];
  $("manoeuvres-title").hidden = wanted.length === 0;
  keep($("manoeuvres"), wanted, (one) => `${one.kind} ${one.way}`, () => make("li"), (node, one) => {
    const name = `${MANOEUVRE[one.kind] ?? one.kind.replace("_", " ")}${one.way ? `, ${one.way}` : ""}`;
    drawCell(node, one, { step: one.kind, name }, { way: one.way, name: "" }, false, name);
  });
  if (cellOpen && $("dialog-cell").open) describeCell();
}

function drawCell(node, cell, step, way, isNext, label = "") {
  node.dataset.state = cell?.state ?? "none";
  node.classList.toggle("up-next", isNext);
  if (!cell) { node.replaceChildren(DASH); return; }
  let inner = node.firstElementChild;
  if (!inner) {
    inner = make(MAY_ENTER ? "button" : "span", { class: "cell", type: MAY_ENTER ? "button" : null }, make("span", { class: "label" }), make("b"), make("small"));
    node.replaceChildren(inner);
  }
  const [sign, word] = CELL[cell.state] ?? ["", cell.state];
  const more = [];
  if (cell.reason) more.push(cell.reason);
  if (cell.advised) more.push(`once more: ${cell.advised}`);
  else if ((cell.legs ?? 0) > 1) more.push(`${cell.legs} runs`);
  if (isNext && cell.state !== "now") more.unshift("next");
  write(inner.querySelector(".label"), label);
  write(inner.querySelector("b"), `${sign} ${word}`.trim());
  write(inner.querySelector("small"), more.join(" · "));
  if (MAY_ENTER) {
    inner.dataset.step = JSON.stringify(step.step);
    inner.dataset.way = way.way;
    inner.setAttribute("aria-label", `${step.name}${way.name ? `, ${way.name}` : ""}: ${word}${more.length ? `, ${more.join(", ")}` : ""}`);
  }
}

const openHoles = (b) => b?.holes ?? [];

function holeName(b, hole) {
  const way = hole.way ? `, ${wayName(b, hole.way)}` : "";
  return `${MANOEUVRE[hole.step] ?? stepName(b, hole.step)}${way}`;
}

function drawHoles(b) {
  const count = b.holes_open ?? openHoles(b).length;
  const button = $("holes-count");
  button.disabled = false;
  write(button, count === 0 ? "✓ none open" : `${count} open`);
  button.dataset.open = count === 0 ? "none" : "some";
  write($("holes-title"), count === 0 ? "Nothing is open" : `Open: ${count}`);
  keep($("holes"), openHoles(b), (hole) => `${hole.step}|${hole.way}`, () => make("li", {}, make("b"), make("span")), (node, hole) => {
    write(node.querySelector("b"), holeName(b, hole));
    write(node.querySelector("span"), hole.reason ?? "");
  });
}

function drawBands(b) {
  const bands = b.bands ?? [];
  const table = $("bands");
  table.parentElement.hidden = bands.length === 0;
  $("no-bands").hidden = bands.length > 0;
  $("curves").hidden = bands.length === 0;
  keep(table.tBodies[0], bands, (band) => band.name, () => make("tr", {}, make("th", { scope: "row" }, make("span"), make("small")), ...Array.from({ length: 5 }, () => make("td"))), (row, band, index) => {
    const of = (key) => figure(b, "bands", index, key).text;
    write(row.cells[0].firstElementChild, band.name);
    write(row.cells[0].lastElementChild, (band.flags ?? []).join(", ").replace(/[-_]/g, " "));
    const texts = [of("speed_kn"), of("speed_pm_kn"), of("fuel_l_per_h"), of("economy_nm_per_l"), String(band.ways ?? DASH)];
    texts.forEach((text, column) => write(row.cells[column + 1], text));
  });
  [["speed_kn", 1], ["fuel_l_per_h", 3], ["economy_nm_per_l", 4]].forEach(([key, column]) => {
    const unit = bands.map((_, index) => figure(b, "bands", index, key).unit).find(Boolean) ?? "";
    write(table.tHead.rows[0].cells[column].querySelector("small"), unit);
  });
  const current = b.current;
  write($("current"), !current || current.speed_kn === null ? "not known yet: it takes runs both ways"
    : `${said(b, "current", "speed_kn")} towards ${said(b, "current", "towards_deg")}${current.pm_kn === null ? "" : `, ± ${said(b, "current", "pm_kn")}`}`);
  for (const [id, title, key, pm] of [["speed-curve", "Speed", "speed_kn", "speed_pm_kn"], ["economy-curve", "Economy", "economy_nm_per_l", "economy_pm_nm_per_l"]]) {
    const shown = bands.map((_, index) => figure(b, "bands", index, key));
    const points = bands.map((band, index) => ({ x: band.rpm, y: shown[index].value, pm: figure(b, "bands", index, pm).value, label: shown[index].text, whole: band.ways !== 1 }));
    $(id).toggleAttribute("hidden", !points.some(({ y }) => typeof y === "number"));
    drawCurve($(id), points, { title: `${title}, ${shown.find(({ unit }) => unit)?.unit ?? ""}`, base: 0 });
  }
}

// ---- News for those who listen to the page.

let newsKey = "";
function tellNews(b) {
  const key = `${b.advice?.kind}|${b.detector?.state}|${b.advice?.at ?? ""}`;
  if (key === newsKey) return;
  newsKey = key;
  write($("news"), `${b.advice?.sentence ?? ""}. ${DETECTOR[b.detector?.state] ?? ""} ${b.detector?.reason ?? ""}`);
}

const drawCalmly = calm(notUnderAFinger(settling(ACTS_AT_ONCE, drawFigures)));
const drawAtOnce = notUnderAFinger(settling(ACTS_AT_ONCE, drawStates));
follow({
  onBoard(fresh) {
    board = fresh;
    drawAtOnce(fresh);
    drawCalmly(fresh);
    tellNews(fresh);
    flush();
  },
  onAge(age) {
    const words = staleWords(age);
    for (const cover of document.querySelectorAll(".stale")) {
      cover.hidden = !age.stale;
      write(cover.firstElementChild, words.big);
      write(cover.lastElementChild, words.small);
    }
    if (!age.stale) return;
    if (age.silent) { $("lamp").dataset.state = "unknown"; write($("lamp-word"), "No word"); }
  },
});

// ---- Entries.

function tell(answer, what) {
  const text = answer.later ? `${what}: kept here, sent when the desk is back.` : answer.ok ? `${what}: noted ${new Date().toISOString().slice(11, 19)} UTC.${answer.told?.remark ? ` ${answer.told.remark}` : ""}` : `${what}: not noted. ${answer.error}`;
  write($("told"), text);
  $("told").dataset.ok = String(answer.ok);
}

onWaiting((count) => {
  $("waiting").hidden = count === 0;
  write($("waiting"), count === 1 ? "1 entry waits for the desk." : `${count} entries wait for the desk.`);
}, (path, error) => tell({ ok: false, error }, `An entry that waited (${path.split("/").at(-1)})`));

const enter = (kind, fields) => send(`/entry/${kind}`, fields);

function openDialog(name) {
  const dialog = $(`dialog-${name}`);
  const fault = dialog.querySelector(".fault");
  if (fault) fault.hidden = true;
  dialog.dataset.opening = String(Number(dialog.dataset.opening ?? 0) + 1);
  dialog.querySelector("form").removeAttribute("aria-busy");
  dialog.showModal();
  settle(dialog);
}

// the second tap of a double tap must not fall through to what lay behind
document.addEventListener("close", () => settle(document.body), true);

/**
 * Do what a form asks for, once: who touches it again before the desk has answered does not ask again.
 * @param work gets a function that tells whether its dialog is still open, and was not opened anew meanwhile
 */
async function once(formNode, work) {
  if (formNode.hasAttribute("aria-busy")) return;
  const dialog = formNode.closest("dialog");
  const { opening } = dialog.dataset;
  formNode.setAttribute("aria-busy", "true");
  try {
    await work(() => dialog.open && dialog.dataset.opening === opening);
  } finally {
    if (dialog.dataset.opening === opening) formNode.removeAttribute("aria-busy");
  }
}

/** Show what the desk said to a form: a refusal beside it as long as it is open, all else in the line of answers. */
function conclude(formNode, answer, what, isHere) {
  if (!answer.ok && isHere()) { showFault(formNode, answer.error); return; }
  tell(answer, what);
  if (isHere()) formNode.closest("dialog").close();
}

function showFault(formNode, text) {
  const fault = formNode.querySelector(".fault");
  fault.hidden = false;
  write(fault, text);
}

const handlers = {
  mark: (button) => {
    settle(button);
    enter("mark", {}).then((answer) => tell(answer, "Mark"));
  },
  pause: (button) => {
    settle(button);
    pauseAsked = { begins: !isPaused(), at: performance.now() };
    drawPause();
    enter("pause", { value: pauseAsked.begins ? "begin" : "end" }).then((answer) => {
      if (!answer.ok) { pauseAsked = null; drawPause(); }
      tell(answer, "Traffic pause");
    });
  },
};

document.addEventListener("click", (event) => {
  const target = event.target.closest("button, a, label");
  if (!target) return;
  if (target.id in handlers) handlers[target.id](target);
  else if (target.dataset.opens) openDialog(target.dataset.opens);
  else if ("closes" in target.dataset) target.closest("dialog").close();
  else if (target.dataset.go) goTo(target.dataset.go);
  else if (target.dataset.acknowledge) askOnce(target, "Alarm", "/acknowledge", { alarm: target.dataset.acknowledge });
  else if (target.dataset.undo) askOnce(target, "Taken back", "/entry/undo", { value: target.dataset.undo, of: target.dataset.of });
  else if (target.id === "caution-read") { cautionRead = $("caution").dataset.of; $("caution").hidden = true; }
  else if (target.classList.contains("cell") && MAY_ENTER) openCell(target);
  else if (target.dataset.reason) $("dialog-cell").querySelector('[name="reason"]').value = target.dataset.reason;
  else if (target.dataset.leaves && board?.recording && (target.dataset.leaves === "always" || openHoles(board).length)) {
    event.preventDefault();
    leave(target.getAttribute("href"), target.dataset.leaves === "always");
  }
});

function goTo(id) {
  const place = $(id);
  place.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
  place.focus({ preventScroll: true });
}

/** The fields of a form as they are sent; empty ones are left out. `typed` is the value that no button gave. */
function fieldsOf(formNode, submitter) {
  const fields = {};
  for (const [key, value] of new FormData(formNode)) if (key !== "token" && String(value).trim()) fields[key] = String(value).trim();
  if (submitter?.name) fields[submitter.name] = submitter.value;
  const { typed, ...rest } = fields;
  return typed && !rest.value ? { ...rest, value: typed } : rest;
}

for (const formNode of document.querySelectorAll("form[data-entry]")) {
  formNode.addEventListener("submit", (event) => {
    event.preventDefault();
    const kind = formNode.dataset.entry;
    const fields = fieldsOf(formNode, event.submitter);
    if (kind === "trim" && event.submitter?.name === "value") fields.unit = "%";
    if (!fields.value) { showFault(formNode, "Nothing is written yet."); return; }
    once(formNode, async (isHere) => {
      const answer = await enter(kind, fields);
      if (answer.ok && (isHere() || !formNode.closest("dialog").open)) formNode.elements.typed.value = "";
      conclude(formNode, answer, formNode.querySelector("h2").textContent, isHere);
    });
  });
}

document.querySelector('#dialog-reading select')?.addEventListener("change", (event) => {
  event.target.form.elements.unit.value = event.target.selectedOptions[0].dataset.unit;
});

const photo = $("photo");
photo?.addEventListener("change", () => {
  if (!photo.files.length) return;
  write($("photo-name"), photo.files[0].name);
  openDialog("photo");
});
document.querySelector("form[data-photo]")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const formNode = event.target;
  once(formNode, async (isHere) => {
    const answer = await sendPhoto(photo.files[0], fieldsOf(formNode, null));
    if (answer.ok && isHere()) formNode.reset();
    conclude(formNode, answer, "Photo", isHere);
  });
});
// the same picture can be chosen again, also after it was not added
$("dialog-photo")?.addEventListener("close", () => { photo.value = ""; });

// ---- The plan of the day.

function openCell(button) {
  cellOpen = { step: JSON.parse(button.dataset.step), way: button.dataset.way };
  $("dialog-cell").querySelector("form").reset();
  describeCell();
  openDialog("cell");
}

function describeCell() {
  const { step, way } = cellOpen;
  const cell = (board.grid?.cells ?? []).find((c) => c.step === step && c.way === way) ?? (board.manoeuvres ?? []).find((m) => m.kind === step && m.way === way);
  if (!cell) return;
  write($("t-cell"), holeName(board, { step, way }));
  const [, word] = CELL[cell.state] ?? ["", cell.state];
  write($("cell-state"), [word, cell.reason, cell.advised].filter(Boolean).join(": "));
}

document.querySelector("form[data-plan]")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const formNode = event.target;
  const what = event.submitter?.textContent;
  const action = event.submitter?.value;
  const reason = formNode.elements.reason.value.trim();
  if (!action) return;
  if (action === "skip" && !reason) { showFault(formNode, "Say why it is skipped; the reason is kept."); return; }
  const fields = { action, step: String(cellOpen.step), ...(cellOpen.way ? { way: cellOpen.way } : {}), ...(reason ? { reason } : {}) };
  once(formNode, async (isHere) => conclude(formNode, await send("/plan", fields), what, isHere));
});

// ---- Leaving: what is open needs a reason, and the recording may be ended.

/** The recorder writes its last lines and hashes what it kept; so long the page waits for it [s]. */
const ENDING_S = 120;
/** Nobody goes on before it is known what the desk says to leaving. */
const LEAVING_MS = 30_000;

function leave(to, mayEnd) {
  leaveTo = to;
  const open = openHoles(board);
  write($("t-leave"), open.length ? "Something is still open" : "The trial is over?");
  $("leave-open").hidden = open.length === 0;
  $("reason-all").value = "";
  if ($("leave-end")) $("leave-end").hidden = !mayEnd;
  write($("leave-wait"), "");
  keep($("leave-holes"), open, (hole) => `${hole.step}|${hole.way}`, (hole) => make("li", {},
    make("label", { class: "field" }, make("b", {}, holeName(board, hole)), make("span", {}, hole.reason ?? ""), make("input", { autocomplete: "off", "data-step": JSON.stringify(hole.step), "data-way": hole.way ?? "" }))), () => {});
  openDialog("leave");
}

$("reason-all")?.addEventListener("input", (event) => {
  for (const input of $("leave-holes").querySelectorAll("input")) if (!input.dataset.own) input.value = event.target.value;
});
$("leave-holes")?.addEventListener("input", (event) => { event.target.dataset.own = "yes"; });

/** Sign off what stays open; returns what stood against it, "" for nothing. */
async function signOff(inputs) {
  for (const input of inputs) {
    const step = String(JSON.parse(input.dataset.step));
    const answer = await send("/entry/hole", { step, ...(input.dataset.way ? { way: input.dataset.way } : {}), reason: input.value.trim() }, LEAVING_MS);
    if (answer.later) return "The desk does not answer; the reasons are kept here and sent when it is back. Stay until then.";
    if (!answer.ok) return answer.error;
    input.closest("li").remove();
  }
  return "";
}

async function endRecording() {
  const answer = await send("/leave", { end: "yes", reason: "signed off one by one" }, LEAVING_MS);
  if (answer.later) return "The desk does not answer. The recording ends when it is back; or end it in the recorder's own window.";
  if (!answer.ok) return answer.error;
  write($("leave-wait"), "The recorder is ending: it writes its last lines and hashes what it kept.");
  for (let waited = 0; board.recording && waited < ENDING_S; waited += 0.5) await new Promise((done) => { setTimeout(done, 500); });
  return board.recording ? "The recorder has not ended yet. Look at its own window." : "";
}

document.querySelector("form[data-leave]")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const ends = event.submitter?.name === "end";
  const inputs = [...$("leave-holes").querySelectorAll("input")];
  const bare = inputs.find((input) => !input.value.trim());
  if (bare) { showFault(event.target, "Each one needs a reason."); bare.focus(); return; }
  const formNode = event.target;
  once(formNode, async (isHere) => {
    const fault = (await signOff(inputs)) || (ends ? await endRecording() : "");
    if (fault) showFault(formNode, fault);
    else if (isHere()) location.href = leaveTo;
  });
});

// ---- Keys.

const KEYS = { m: "#mark", t: '[data-opens="trim"]', s: '[data-opens="sound"]', w: '[data-opens="sea"]', r: '[data-opens="remark"]', e: '[data-opens="reading"]', p: "#photo", x: "#pause" };
const keysOn = $("keys");
if (keysOn) {
  try { keysOn.checked = localStorage.getItem("desk-keys") !== "off"; } catch { /* stays on */ }
  keysOn.addEventListener("change", () => { try { localStorage.setItem("desk-keys", keysOn.checked ? "on" : "off"); } catch { /* for now only */ } });
}
/** Whether letters are being written there; not in a form that is hidden or sent, where the focus may still be. */
function isWriting(node) {
  const entry = node.closest("input:not([type=checkbox], [type=radio], [type=file]), select, textarea");
  return Boolean(entry && isDrawn(entry) && !entry.form?.hasAttribute("aria-busy"));
}

document.addEventListener("keydown", (event) => {
  // a key that is held down presses a button once
  if (event.repeat && event.target.closest("button")) event.preventDefault();
  if (!keysOn?.checked || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const open = document.querySelector("dialog[open]");
  if (open && !open.querySelector("form[aria-busy]")) return;
  if (isWriting(event.target)) return;
  const wanted = KEYS[event.key.toLowerCase()];
  if (!wanted) return;
  event.preventDefault();
  open?.close();  // it is sent, and its answer is told all the same
  document.querySelector(wanted)?.click();
});
