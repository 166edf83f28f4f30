// Sun view (black on white) or night view (light on dark). Runs before the page is drawn, so nothing flashes.
"use strict";
(() => {
  const KEY = "desk-look";
  const root = document.documentElement;
  const stored = () => { try { return localStorage.getItem(KEY); } catch { return null; } };
  const preferred = () => (matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "sun");

  function apply(look) {
    root.dataset.look = look;
    for (const button of document.querySelectorAll("[data-set-look]")) {
      button.setAttribute("aria-pressed", String(button.dataset.setLook === look));
    }
  }

  apply(stored() ?? preferred());
  document.addEventListener("DOMContentLoaded", () => apply(root.dataset.look));
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-set-look]");
    if (!button) return;
    try { localStorage.setItem(KEY, button.dataset.setLook); } catch { /* a private window keeps no choice */ }
    apply(button.dataset.setLook);
  });
})();
