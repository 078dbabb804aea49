// A prep that is open while the server is away: it says since when it is old, and the worker keeps what it showed last.
(() => {
  "use strict";
  const CALM_MS = 150;
  const PARTS = ["verdict", "rail", "units", "read", "advice", "readings", "gauges", "sweeps", "keep"];
  const LATER = "Worked out again when the server answers.";
  const LATER_DRAWN = "The landings are drawn when the server answers.";
  const place = document.querySelector("[data-prep-id]:not(form)");
  if (!place) return;

  // ---- the server is away ----

  function timeOf(at) {
    const day = new Date(at);
    const clock = day.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    if (day.toDateString() === new Date().toDateString()) return clock;
    return `${day.getDate()} ${day.toLocaleDateString("en-GB", { month: "short", year: "numeric" })}, ${clock}`;
  }

  function sayAway(at) {
    sayPending();
    if (document.querySelector("[data-old]")) return;
    const note = document.createElement("p");
    note.className = "note away";
    note.dataset.old = String(at);
    note.setAttribute("role", "status");
    const since = document.createElement("b");
    since.textContent = `The server does not answer. This is the prep as it was at ${timeOf(at)}.`;
    note.append(since, " Go on reading: what you save is kept on this device, and sent when the server answers.");
    place.before(note);
  }

  // Neither verdict nor picture is on its way while nobody answers.
  const pending = () => document.querySelectorAll("#verdict [data-pending], #rail > [role=status]");

  function sayPending() {
    for (const line of pending()) line.textContent = line.closest("#rail") ? LATER_DRAWN : LATER;
  }

  for (const failure of ["htmx:sendError", "htmx:timeout"]) {
    document.body.addEventListener(failure, (event) => event.detail.elt.hasAttribute("data-pending") && sayPending());
  }

  function back() {
    document.querySelector("[data-old]")?.remove();
    document.documentElement.removeAttribute("data-kept-at");
    for (const part of new Set([...pending()].map((line) => `#${line.closest("[data-live]").id}`))) {
      window.htmx?.trigger(part, "shimwise:refresh");
    }
  }

  document.addEventListener("shimwise:away", (event) => sayAway(event.detail));
  document.addEventListener("shimwise:back", back);
  if (document.documentElement.dataset.keptAt) {
    sayAway(Number(document.documentElement.dataset.keptAt));
    // Who opens an old page sees first that it is old, and not the place where a newer one was left.
    history.scrollRestoration = "manual";
    window.scrollTo(0, 0);
  }

  // ---- what is shown goes into the page that is kept ----

  const ofNow = "#answer > *, [data-kept-note], [data-coming], .withdrawing";
  let timer = 0;

  async function keepShown() {
    const worker = (await navigator.serviceWorker.ready).active;
    const kept = await caches.match(location.pathname, { ignoreVary: true });
    if (!kept) {
      worker.postMessage({ path: location.pathname });
      return;
    }
    const page = new DOMParser().parseFromString(await kept.text(), "text/html");
    for (const id of PARTS) {
      const [shown, old] = [document.getElementById(id), page.getElementById(id)];
      if (!shown || !old) continue;
      old.innerHTML = shown.innerHTML;
      for (const one of old.querySelectorAll(ofNow)) one.remove();
    }
    const old = page.querySelector("[data-prep-id]:not(form)");
    for (const name of ["revision", "verdict"]) old.dataset[name] = place.dataset[name];
    worker.postMessage({ path: location.pathname, text: `<!doctype html>\n${page.documentElement.outerHTML}` });
  }

  if (!navigator.serviceWorker || !window.isSecureContext) return;
  navigator.serviceWorker.ready.then(async ({ active }) => {
    if (!await caches.match(location.pathname, { ignoreVary: true })) active.postMessage({ path: location.pathname });
  }).catch(() => { /* without room, or in a private window */ });

  document.body.addEventListener("htmx:afterSettle", (event) => {
    if (!PARTS.includes(event.detail.target.id) && event.detail.target.id !== "next") return;
    window.clearTimeout(timer);
    timer = window.setTimeout(() => keepShown().catch(() => { /* the page kept before stays */ }), CALM_MS);
  });
})();
