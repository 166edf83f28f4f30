// The page after the trial: dropping logs, following work, and reviewing stretches by keyboard.
import { followWork, sendOnce } from "/page/work.js";

sendOnce();

// Drop a log anywhere on its field.
const drop = document.getElementById("drop");
if (drop) {
  const file = drop.querySelector('input[type="file"]');
  for (const kind of ["dragenter", "dragover"]) {
    drop.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
  }
  for (const kind of ["dragleave", "drop"]) drop.addEventListener(kind, () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    if (!event.dataTransfer.files.length) return;
    file.files = event.dataTransfer.files;
    drop.requestSubmit();
  });
  file.addEventListener("change", () => { if (file.files.length) drop.requestSubmit(); });
}

// One of the readings of a first time is taken by its button.
for (const button of document.querySelectorAll("[data-take]")) {
  button.hidden = button.dataset.take === "six columns";
  button.addEventListener("click", () => {
    const form = button.closest("form");
    form.querySelector('[name$=".time_format"]').value = button.dataset.take;
    if (button.dataset.locale) form.querySelector('[name$=".locale"]').value = button.dataset.locale;
    form.querySelector('[name$=".timezone"]').focus();
  });
}

// Work that changes the whole page loads it again when it is done.
const again = (id) => () => { location.replace(`/after?now=${Date.now()}#${id}`); };
followWork("process", "Processing", again("result"));
followWork("verify", "Verifying", again("seal"));
for (const kind of ["pack", "share"]) {
  followWork(kind, "Packing", (result) => {
    const place = document.getElementById(`${kind}-result`);
    place.hidden = false;
    place.querySelector("span").textContent = `${result.files} files, ${result.condition}`;
  });
}

// Stretches.
const form = document.getElementById("review-form");
if (form) {
  const rows = [...form.querySelectorAll("tbody tr")];
  const tick = (row) => row.querySelector('input[type="checkbox"]');
  const chosen = document.getElementById("chosen");
  const band = document.getElementById("band-home");
  const boxOf = (row) => document.querySelector(`[data-stretch="${row.id.slice("stretch-".length)}"]`);

  function say() {
    const count = rows.filter((row) => tick(row).checked).length;
    chosen.textContent = `${count} ${count === 1 ? "stretch" : "stretches"} chosen`;
    band.hidden = form.elements.verdict.value !== "relabel";
  }

  function go(row) {
    for (const other of rows) other.tabIndex = other === row ? 0 : -1;
    row.focus();
    row.scrollIntoView({ block: "nearest" });
  }

  function change(row, verdict) {
    if (!rows.some((other) => tick(other).checked)) tick(row).checked = true;
    form.querySelector(`input[name="verdict"][value="${verdict}"]`).checked = true;
    say();
    document.getElementById(verdict === "relabel" ? "band" : "reason").focus();
  }

  const VERDICTS = { e: "exclude", i: "include", r: "relabel", u: "review-undo" };
  for (const [number, row] of rows.entries()) {
    row.addEventListener("focus", () => {
      for (const box of document.querySelectorAll(".time-line a.here")) box.classList.remove("here");
      boxOf(row)?.classList.add("here");
    });
    row.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || event.target !== row) return;
      const to = { ArrowDown: number + 1, ArrowUp: number - 1, Home: 0, End: rows.length - 1 }[event.key];
      if (to !== undefined) go(rows[Math.min(Math.max(to, 0), rows.length - 1)]);
      else if (event.key === " ") { tick(row).checked = !tick(row).checked; say(); }
      else if (VERDICTS[event.key.toLowerCase()]) change(row, VERDICTS[event.key.toLowerCase()]);
      else return;
      event.preventDefault();
    });
    row.addEventListener("click", (event) => {
      if (!event.target.closest("label")) go(row);
    });
  }
  for (const box of document.querySelectorAll(".time-line a[data-stretch]")) {
    box.addEventListener("click", (event) => {
      event.preventDefault();
      const row = document.getElementById(`stretch-${box.dataset.stretch}`);
      tick(row).checked = !tick(row).checked;
      say();
      go(row);
    });
  }
  form.addEventListener("change", say);
  say();
}
