// The page that stands while the server is away: asks for it again and again, and goes on when it answers.
(() => {
  "use strict";
  const FIRST_WAIT_MS = 2000;
  const LONGEST_WAIT_MS = 15000;
  const PATIENCE_MS = 5000;
  const told = document.querySelector("[data-away]");
  let wait = FIRST_WAIT_MS;
  let timer = 0;

  async function tryAgain() {
    window.clearTimeout(timer);
    try {
      const answer = await fetch("/worker.js", { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      if (answer.status < 500) {
        location.reload();
        return;
      }
    } catch { /* still away */ }
    told.textContent = `This page tries again by itself, last at ${new Date().toLocaleTimeString()}.`;
    timer = window.setTimeout(tryAgain, wait);
    wait = Math.min(2 * wait, LONGEST_WAIT_MS);
  }

  const list = document.querySelector("[data-waiting-list]");
  new MutationObserver(() => {
    document.querySelector("[data-waiting-head]").hidden = list.hidden;
  }).observe(list, { attributes: true, childList: true });

  window.addEventListener("online", tryAgain);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") tryAgain();
  });
  timer = window.setTimeout(tryAgain, wait);
})();
