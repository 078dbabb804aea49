// A second device sees the prep change: each change that the server tells of has the live parts asked for again.
(() => {
  "use strict";

  const AGAIN_MS = 1500;
  const GRACE_MS = 2500;
  const LATER_MS = 2000;
  const place = document.querySelector("[data-prep-id]:not(form)");
  if (!place || !window.EventSource) return;

  let source = null;
  let timer = 0;
  let seen = "";
  let awaySince = 0;
  let awayTimer = 0;

  let later = 0;

  // What a person is typing in a live part is not taken from under the fingers: that part waits.
  function isTypedIn(region) {
    const fields = [...region.querySelectorAll("input:not([type=hidden]), textarea")];
    return fields.some((field) => field.autofocus || field === document.activeElement || field.value !== field.defaultValue);
  }

  // What was open stays open, and the focus where it was, when a live part is put in anew.
  const keyOf = (element) => [
    element.closest("[data-reading-id]")?.dataset.readingId, element.tagName, element.name, element.textContent.trim().slice(0, 60),
  ].join("|");
  const FOCUSABLE = "a[href], button, input, select, textarea, summary, [tabindex]";
  const before = new WeakMap();

  place.addEventListener("htmx:beforeSwap", (event) => {
    const region = event.detail.target;
    if (!region.matches("[data-live]")) return;
    if (event.detail.requestConfig.elt === region && isTypedIn(region)) {  // typing began while this was on its way
      event.detail.shouldSwap = false;
      later = window.setTimeout(refresh, LATER_MS);
      return;
    }
    before.set(region, {
      open: new Set([...region.querySelectorAll("details[open] > summary")].map(keyOf)),
      focus: region.contains(document.activeElement) ? keyOf(document.activeElement) : null,
    });
  });
  place.addEventListener("htmx:afterSwap", (event) => {
    const region = event.detail.target;
    const kept = before.get(region);
    if (!kept) return;
    before.delete(region);
    for (const summary of region.querySelectorAll("details > summary")) {
      if (kept.open.has(keyOf(summary))) summary.parentElement.open = true;
    }
    if (kept.focus !== null) [...region.querySelectorAll(FOCUSABLE)].find((one) => keyOf(one) === kept.focus)?.focus();
  });

  function refresh() {
    if (!window.htmx) return;
    window.clearTimeout(later);
    let isLeft = false;
    for (const region of place.querySelectorAll("[data-live]")) {
      if (isTypedIn(region)) isLeft = true;
      else window.htmx.trigger(region, "shimwise:refresh");
    }
    if (isLeft) later = window.setTimeout(refresh, LATER_MS);
  }

  function changed(event) {
    const isFirst = !seen;
    const told = JSON.parse(event.data);
    const isNew = event.lastEventId !== seen;
    seen = event.lastEventId;
    place.dataset.problem = told.problem || "";
    const isShown = isFirst && String(told.revision) === place.dataset.revision && !told.problem;
    if (isNew && !(isShown && (told.verdict || "") === (place.dataset.verdict ?? told.verdict))) refresh();
    place.dataset.revision = String(told.revision);
    place.dataset.live = "on";
  }

  function rest() {
    window.clearTimeout(timer);
    window.clearTimeout(awayTimer);
    awaySince = 0;
    if (source) source.close();
    place.dataset.live = "rests";
  }

  function open() {
    window.clearTimeout(timer);
    if (source) source.close();
    if (document.visibilityState === "hidden") return;
    source = new EventSource(`/live/preps/${encodeURIComponent(place.dataset.prepId)}`);
    source.onopen = () => {
      window.clearTimeout(awayTimer);
      awaySince = 0;
      document.dispatchEvent(new CustomEvent("shimwise:back"));
    };
    source.addEventListener("change", changed);
    source.addEventListener("figure", (event) => document.dispatchEvent(new CustomEvent("shimwise:figure", { detail: JSON.parse(event.data) })));
    source.onerror = () => {
      place.dataset.live = "away";
      source.close();  // a browser's own next try may come late, or never
      timer = window.setTimeout(open, AGAIN_MS);
      if (awaySince) return;
      awaySince = Date.now();
      // A line that is cut and comes back at once is not worth a word.
      awayTimer = window.setTimeout(() => {
        document.dispatchEvent(new CustomEvent("shimwise:away", { detail: awaySince }));
      }, GRACE_MS);
    };
  }

  // A page out of sight holds no line: a browser opens six to a server, and pages in other windows need theirs.
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") open();
    else rest();
  });
  window.addEventListener("online", open);
  window.addEventListener("pagehide", () => source && source.close());
  window.addEventListener("pageshow", (event) => event.persisted && open());
  open();
})();
