// The helm's page: one sentence, one number, one bar, and tones. Nobody at the helm is asked to read it under way.

import { calm, follow, staleWords } from "./link.js";
import { together, write } from "./shown.js";
import { play, switchTones, toneOf } from "./tones.js";

const $ = (id) => document.getElementById(id);
/**
 * How high a capital is at 2 m: 22 minutes of arc, 2000 mm × tan 22′ = 12.8 mm, and never below 16, 9.3 mm
 * (ISO 9241-3: 20 to 22, at least 16). It is some 0.7 of the font's size high.
 */
const WANTED_MM = 12.8, LEAST_MM = 9.3, CAPITAL = 0.7;
/**
 * Millimetres of the page are not those of a ruler. Devices that are touched have some 160 px an inch (the unit of
 * phones and of most tablets), laptops some 128 (13 inches, 1280 to 1470 px); 96, as style sheets count, is the least.
 */
const PX_PER_INCH = () => (matchMedia("(pointer: coarse)").matches || Math.min(innerWidth, innerHeight) < 500 ? 160 : 128);
const fontPx = (mm, px_per_inch) => Math.ceil(((mm / CAPITAL) * px_per_inch) / 25.4);
const atLeast = (mm) => Math.max(fontPx(mm, PX_PER_INCH()), fontPx(WANTED_MM, 96));
const CAUTIONS = {
  full_throttle: ["Full throttle: agreed?", "Helm and skipper decide. Look out all round. Everybody sits and holds on. Cut-off link on. Local law and limits first."],
  turn: ["Turn: agreed?", "Helm and skipper decide. Look out all round. Everybody sits and holds on. Cut-off link on. Local law first."],
  stop: ["Stop: agreed?", "Helm and skipper decide. Look astern. Everybody sits and holds on. The stern wave may come aboard. Local law first."],
};

/** Make a text as large as its box holds, and never smaller than `mm` unless a word is too long for the screen. */
function fit(box, mm) {
  const text = box.firstElementChild;
  let least = atLeast(mm);
  const isWide = (px) => {
    text.style.fontSize = `${px}px`;
    return text.scrollWidth > box.clientWidth + 1;
  };
  while (least > fontPx(LEAST_MM, 96) && isWide(least)) least -= 1;
  text.style.fontSize = `${least}px`;  // boxes that grow with their text are measured around the smallest
  let most = Math.max(least, Math.floor(box.clientHeight));
  const fits = (px) => !isWide(px) && text.offsetHeight <= box.clientHeight + 1;
  while (least < most) {
    const middle = Math.ceil((least + most) / 2);
    if (fits(middle)) least = middle;
    else most = middle - 1;
  }
  text.style.fontSize = `${least}px`;
}

let fitted = "";
function fitAll() {
  // the shape of the texts, not their digits: a size that changes every second could not be read
  const shape = `${innerWidth}x${innerHeight}|${$("sentence").textContent.replace(/\d/g, "0")}|${$("number").textContent.length}|${$("unit").textContent}|${$("caution").hidden}|${$("caution-title").textContent}`;
  if (shape === fitted) return;
  fitted = shape;
  fit($("sentence-box"), LEAST_MM);
  fit($("number-box"), WANTED_MM);
  if (!$("caution").hidden) fit($("caution-box"), LEAST_MM);
}

const drawTexts = calm((board) => {
  const advice = board.advice ?? {};
  const ended = board.recording === false;
  write($("sentence"), together(ended ? "Recording has ended" : advice.sentence || "Waiting"));
  const has = !ended && advice.number !== null && advice.number !== undefined;
  const isAngle = advice.unit === "°";
  write($("number"), has ? `${Math.round(advice.number)}${isAngle ? "°" : ""}` : "");
  write($("unit"), has && !isAngle ? advice.unit ?? "" : "");
  const card = ended ? null : CAUTIONS[advice.caution];
  $("caution").hidden = !card;
  if (card) {
    write($("caution-title"), card[0]);
    write($("caution-words"), card[1]);
  }
  fitAll();
});

const toneFor = toneOf();
let newsKey = "";
follow({
  onBoard(board) {
    const advice = board.advice ?? {};
    const tone = toneFor(advice);
    if (tone) play(tone);
    const share = advice.bar === null || advice.bar === undefined ? null : Math.min(1, Math.max(0, advice.bar));
    $("bar").classList.toggle("none", share === null);
    $("bar").firstElementChild.style.setProperty("--done", share ?? 0);
    if (share !== null) $("bar").setAttribute("aria-valuenow", Math.round(share * 100));
    drawTexts(board);
    const key = `${advice.kind}|${advice.at ?? ""}`;
    if (key !== newsKey) { newsKey = key; write($("news"), advice.sentence ?? ""); }
  },
  onAge(age) {
    $("stale").hidden = !age.stale;
    if (!age.stale) return;
    const words = staleWords(age);
    write($("stale").firstElementChild, words.big);
    write($("stale").lastElementChild, words.small);
  },
});

let isSwitching = false;
$("tones").addEventListener("click", async () => {
  if (isSwitching) return;  // the second tap of a double tap would switch them back
  isSwitching = true;
  const on = await switchTones($("tones").getAttribute("aria-pressed") !== "true").finally(() => { isSwitching = false; });
  $("tones").setAttribute("aria-pressed", String(on));
  write($("tones"), on ? "Tones are on" : "Tones are off");
  // a screen that goes dark helps nobody; only pages over a safe link may ask for it
  if (on) navigator.wakeLock?.request("screen").catch(() => write($("news"), "The screen may go dark by itself."));
});
addEventListener("resize", () => { fitted = ""; fitAll(); });
fitAll();
