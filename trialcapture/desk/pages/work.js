// Work that the desk does in the background: asked for once a second while it lasts, and shown. And forms, sent once.
const EVERY_MS = 700;
/** A form that was sent and brought no new page may be sent again [ms]; our choice. */
const SENT_MS = 10_000;

/** The forms of a page are sent once each: the second tap of a double tap would ask for the same again. */
export function sendOnce() {
  const sent = new Map();
  document.addEventListener("submit", (event) => {
    if (event.defaultPrevented) return;
    if (performance.now() - (sent.get(event.target) ?? -Infinity) < SENT_MS) event.preventDefault();
    else sent.set(event.target, performance.now());
  });
  addEventListener("pageshow", () => sent.clear());
}

/** A cell of a table with text alone in it. */
export function cell(tag, text, scope) {
  const made = document.createElement(tag);
  made.textContent = text ?? "";
  if (scope) made.scope = scope;
  return made;
}

/**
 * Follow one kind of work.
 * @param kind as the server calls it
 * @param words what is said while it lasts
 * @param onDone called with the result of work that ended while the page was open
 */
export function followWork(kind, words, onDone) {
  const home = document.querySelector(`[data-work="${kind}"]`);
  if (!home) return;
  const said = home.querySelector(".work-words");
  const bar = home.querySelector("progress");

  async function look() {
    let job;
    try {
      const answer = await fetch(`/work/${kind}`, { headers: { accept: "application/json" } });
      if (!answer.ok) throw new Error(String(answer.status));
      job = await answer.json();
    } catch {
      said.textContent = "The desk does not answer. Trying again.";
      setTimeout(look, 2 * EVERY_MS);
      return;
    }
    home.dataset.state = job.state;
    bar.hidden = job.state !== "running";
    if (job.state === "running") {
      const done = job.share === null ? "" : `, ${Math.round(100 * job.share)} %`;
      said.textContent = `${words}: ${job.step}${done}`;
      if (job.share === null) bar.removeAttribute("value"); else bar.value = job.share;
      setTimeout(look, EVERY_MS);
    } else if (job.state === "failed") {
      said.textContent = `It did not work: ${job.fault}`;
    } else {
      said.textContent = "";
      if (job.state === "done") onDone(job.result);
    }
  }

  if (home.dataset.state === "running") look();
}
