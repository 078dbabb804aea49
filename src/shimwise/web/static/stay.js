// Keeps in its place what the person looks at while parts of a prep's page are put in anew. Not left to the browser:
// some keep nothing in place, others lose their hold when the pad itself is put in anew.
(() => {
  "use strict";
  const PAD = "#answer";  // what is read above it may be pinned
  const PARTS = ["#verdict", "#rail", "#units", "#advice", "#readings", "#gauges", "#sweeps", "#keep"];
  const read = document.getElementById("read");
  if (!read) return;

  // Beside the verdict the pad scrolls by itself; below it, with the page.
  const isColumn = () => getComputedStyle(read).overflowY !== "visible";
  const boxOf = (selector) => document.querySelector(selector)?.getBoundingClientRect();
  const isSeen = (box) => Boolean(box) && box.height > 0 && box.bottom > 0 && box.top < window.innerHeight;

  function holdOf(target) {
    const isOfPad = read.contains(target) || !isColumn() && isSeen(read.getBoundingClientRect());
    return isOfPad && document.querySelector(PAD) ? PAD : PARTS.find((part) => isSeen(boxOf(part)));
  }

  let held = null;
  document.body.addEventListener("htmx:beforeSwap", (event) => {
    if (!event.detail.shouldSwap) return;
    const selector = holdOf(event.detail.target);
    held = selector ? { selector, top: boxOf(selector).top, inner: read.scrollTop, isPad: event.detail.target === read } : null;
  });

  // Set-ups that were taped meanwhile join a form's choices; what is chosen there stays chosen.
  document.body.addEventListener("htmx:oobBeforeSwap", ({ detail }) => {
    const { target, fragment } = detail;
    if (!target.matches("select")) return;
    detail.shouldSwap = false;
    const chosen = target.value;
    target.replaceChildren(...fragment.querySelectorAll("option"));
    const isThere = [...target.options].some((one) => one.value === chosen);
    if (isThere) target.value = chosen;
    else target.dispatchEvent(new Event("change", { bubbles: true }));
  });

  // What comes anew above the picture takes no less room than before, so that nothing below it jumps up and down.
  const GROWS = ["verdict", "next"];
  const heights = new Map();
  const sheet = new CSSStyleSheet();  // no style in the page itself, which is kept as it is shown
  document.adoptedStyleSheets = [...document.adoptedStyleSheets, sheet];
  function grow() {
    for (const id of GROWS) {
      const part = document.getElementById(id);
      if (part) heights.set(id, Math.max(heights.get(id) || 0, part.offsetHeight));
    }
    sheet.replaceSync([...heights].map(([id, px]) => `#${id} { min-height: ${px}px; }`).join("\n"));
  }
  function forget() {
    heights.clear();
    sheet.replaceSync("");
    grow();
  }
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth === width) return;
    width = window.innerWidth;
    forget();
  });
  document.addEventListener("toggle", (event) => event.target.closest("#verdict, #next") && forget(), true);
  document.body.addEventListener("htmx:afterSettle", grow);
  grow();

  document.body.addEventListener("htmx:afterSwap", () => {
    grow();
    if (!held) return;
    const { selector, top, inner, isPad } = held;
    held = null;
    read.scrollTop = inner;
    const box = boxOf(selector);
    if (!box) return;
    (selector === PAD && isColumn() ? read : window).scrollBy({ top: box.top - top, behavior: "instant" });
    if (!isPad) return;
    const field = read.querySelector("[aria-invalid=true]");
    const words = read.querySelector(".choose .wrong, .who .wrong, .correcting .wrong, .extra .wrong");
    for (const part of [words, field || document.getElementById("answer")]) part?.scrollIntoView({ block: "nearest" });
  });
})();
