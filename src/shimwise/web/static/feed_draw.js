// The rail and the course of contrast of what a camera shows live, drawn as wide as they are shown.
(() => {
  "use strict";
  if (window.shimwiseDraw) return;

  const CONTRAST_S = 20;
  const SCALES_UM = [20, 40, 80, 160];  // half of what the rail shows

  function svg(name, facts, words) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(facts)) made.setAttribute(key, value);
    if (words !== undefined) made.textContent = words;
    return made;
  }

  const DRAW_MS = 100;

  // Words keep their size: one unit is a pixel. A size is asked for once, and told where it changes: asking lays the page out.
  const sizes = new WeakMap();
  const watched = new ResizeObserver((changed) => changed.forEach(({ target, contentRect }) => sizes.set(target, contentRect)));
  function sizeOf(place) {
    if (!sizes.has(place)) {
      sizes.set(place, { width: place.clientWidth, height: place.clientHeight });
      watched.observe(place);
    }
    return sizes.get(place);
  }
  function fitted(place, height) {
    const width = Math.max(sizeOf(place).width, 280);
    const box = `0 0 ${width} ${height}`;
    if (place.getAttribute("viewBox") !== box) place.setAttribute("viewBox", box);
    return width;
  }

  // Figures that change thirty times a second are drawn ten times: nobody reads faster, and drawing costs frames.
  function unhurried(draw) {
    let [isAsked, drawnAt] = [false, 0];
    return () => {
      if (isAsked) return;
      isAsked = true;
      window.setTimeout(() => requestAnimationFrame(() => {
        [isAsked, drawnAt] = [false, performance.now()];
        draw();
      }), Math.max(0, DRAW_MS - (performance.now() - drawnAt)));
    };
  }

  // Returns the scale, to be handed in again: it changes only where a landing does not fit, or has far too much room.
  function rail(place, landing, { scale, tolerance, middle = "on the mark" }) {
    const size = landing ? Math.abs(landing.um) + landing.half_um : 0;
    const fits = SCALES_UM.find((one) => one > 1.05 * size) || SCALES_UM.at(-1);
    const now = fits > scale || fits < scale / 2 ? fits : scale;
    const width = fitted(place, 92);
    const at = (um) => width / 2 + (width / 2 - 10) * Math.max(-1, Math.min(1, um / now));
    const tick = now / 2;
    const parts = [
      svg("text", { x: 4, y: 16, class: "dim" }, "◀ short"),
      svg("text", { x: width / 2, y: 16, class: "on", "text-anchor": "middle" }, middle),
      svg("text", { x: width - 4, y: 16, class: "dim", "text-anchor": "end" }, "deep ▶"),
      svg("rect", { x: at(-tolerance), y: 24, width: at(tolerance) - at(-tolerance), height: 40, class: "band" }),
      svg("line", { x1: width / 2, x2: width / 2, y1: 24, y2: 64, class: "mark" }),
      ...[-tick, 0, tick].map((um) => svg("text", { x: at(um), y: 84, class: "dim", "text-anchor": "middle" }, um ? `${um < 0 ? "−" : "+"}${tick}${um > 0 ? " µm" : ""}` : "0")),
    ];
    if (landing) {
      const sides = landing.side === "unknown" ? [-landing.um, landing.um] : [landing.um];
      for (const um of sides) {
        parts.push(svg("line", { x1: at(um - landing.half_um), x2: at(um + landing.half_um), y1: 44, y2: 44, class: `interval ${landing.side}` }));
        parts.push(svg("path", { d: "M0-14 14 0 0 14-14 0Z", transform: `translate(${at(um)} 44)`, class: landing.side === "unknown" ? "diamond open" : "diamond" }));
      }
    }
    place.replaceChildren(...parts);
    return now;
  }

  // seconds: [time in s, share of the sharpest seen].
  function contrast(place, seconds) {
    const now = performance.now() / 1000;
    const width = fitted(place, 150);
    const line = seconds.map(([at, share], k) => `${k ? "L" : "M"}${(width * (1 - (now - at) / CONTRAST_S)).toFixed(1)} ${(116 - 82 * Math.min(share, 1)).toFixed(1)}`).join("");
    const parts = [
      svg("text", { x: 4, y: 16, class: "dim" }, "contrast, of the sharpest seen"),
      svg("text", { x: width - 4, y: 28, class: "dim", "text-anchor": "end" }, "100 %"),
      svg("line", { x1: 0, x2: width, y1: 34, y2: 34, class: "grid" }),
      svg("line", { x1: 0, x2: width, y1: 116, y2: 116, class: "grid" }),
      svg("text", { x: 0, y: 140, class: "dim" }, `${CONTRAST_S} s ago`),
      svg("text", { x: width - 4, y: 140, class: "dim", "text-anchor": "end" }, "now"),
    ];
    if (line) parts.push(svg("path", { d: line, class: "course" }));
    place.replaceChildren(...parts);
  }

  window.shimwiseDraw = { CONTRAST_S, svg, rail, contrast, sizeOf, unhurried };
})();
