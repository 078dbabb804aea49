// The move of a sensor, watched by the picture: where it stood, how far it is to go, the play of its screw, and when to stop.
(() => {
  "use strict";
  const STOP_UM = 2;
  const TREND_UM = 1.5;
  const SAID_MS = 1500;  // between figures that are read aloud
  const USED = `shimwise-move-${location.pathname}`;
  // What this window keeps; null where a browser keeps nothing.
  const here = (act) => {
    try {
      return act(sessionStorage);
    } catch {
      return null;
    }
  };
  let feed = null;

  function watch(panel) {
    const part = (name) => panel.querySelector(`[data-${name}]`);
    const field = (name) => document.getElementById(`watch-${name}`);
    const video = part("video");
    const amount = Number(panel.dataset.amount);
    // Stop is said where what is left lies within its own interval: no wider than half the tolerance, the two together
    // then lie within the tolerance. A wider interval holds zero because nothing is known, and is no reason to stop.
    const widestUm = Math.max(STOP_UM, Number(panel.dataset.tolerance) / 2);
    const state = { now: null, start: null, marks: [], trend: 0, last: null, scale: 40 };
    const plain = (text) => (text.trim() && Number.isFinite(Number(text.trim().replace(",", "."))) ? Number(text.trim().replace(",", ".")) : null);
    const text = (um, digits = 1) => Math.abs(um).toFixed(digits);

    const kept = window.shimwiseSensor.keptOf(panel.dataset.body);
    field("pixel").value = kept.pixel || field("pixel").value;
    field("across").value = kept.across || "";
    const firstTurn = () => panel.querySelector("[name=watch-first]:checked")?.value || null;
    const fillLens = () => { field("fnumber").value = field("lens").selectedOptions[0]?.dataset.fnumber || ""; };
    field("lens").addEventListener("change", fillLens);
    fillLens();

    feed = window.shimwiseFeed({
      path: panel.dataset.feed,
      video,
      told: () => ({ pixel_um: plain(field("pixel").value), across_px: plain(field("across").value), fnumber: plain(field("fnumber").value), first: firstTurn(), takes_over: true, of: { lens: field("lens").selectedOptions[0]?.textContent || "" } }),
      on: { answer: answered, state: changed, refused },
    });

    function changed(what) {
      if (what === "waits") {
        state.now = state.held = null;  // what was shown is old
        for (const name of ["use", "start", "at-mark"]) part(name).disabled = true;
        show("waits", "The camera is on. The server is slow to answer: waiting for it…");
      }
    }

    function refused(words) {
      part("refused").textContent = words;
      part("refused").hidden = !words;
      if (feed.isOpen) return;
      part("live-part").hidden = true;
      part("open-camera").hidden = false;
      part("close-camera").hidden = true;
    }

    function answered(said) {
      state.now = said;
      const landing = said.landing;
      if (state.start && !(landing?.is_held && Math.abs(landing.um - state.start.um) <= halfOf(landing))) state.start.rests = false;
      if (landing && landing.side !== "unknown") {
        state.named = "";
        if (state.last !== null && Math.abs(landing.um - state.last) > TREND_UM) {
          state.trend = Math.sign(landing.um - state.last);
          state.last = landing.um;
        }
        state.last ??= landing.um;
        if (landing.can_save && (!state.start || (state.start.rests && landing.half_um < state.start.half))) begins(landing);
      }
      drawSoon();
    }
    const drawSoon = window.shimwiseDraw.unhurried(() => state.now && draw());

    // What a screen reader is told is of the figure that is shown: at once, except that microns to go change at its pace.
    function show(kind, figure, beside = "", words = figure) {
      part("figure").className = `figure ${kind}`;
      part("figure").textContent = figure;
      part("beside").textContent = beside;
      const isPaced = kind === state.shown && (kind === "short" || kind === "deep");
      clearTimeout(state.saying);
      state.shown = kind;
      if (part("said").textContent === words) return;
      const say = () => {
        part("said").textContent = words;
        state.saidAt = performance.now();
      };
      const waitMs = isPaced ? state.saidAt + SAID_MS - performance.now() : 0;
      if (waitMs > 0) state.saying = setTimeout(say, waitMs);
      else say();
    }

    // While the picture rests at the start, it becomes known better.
    const begins = (landing) => { state.start = { um: landing.um, half: landing.half_um, rests: true }; };
    const toGo = (landing) => state.start.um + amount - landing.um;
    const halfOf = (landing) => Math.hypot(landing.half_um, state.start.half);

    function draw() {
      const landing = state.now?.landing;
      const isKnown = Boolean(landing) && landing.side !== "unknown";
      const star = state.now?.stars[0];
      part("rate").textContent = `${video.videoWidth} × ${video.videoHeight}, ${state.now.dropped ? `${state.now.dropped} dropped` : "nothing dropped"}`;
      // A press is of what is shown, also where the next frame has been answered since.
      state.held = landing?.can_save ? landing : null;
      part("start").disabled = part("at-mark").disabled = !state.held;
      part("use").disabled = !(state.start && state.held && Math.abs(landing.um - state.start.um) > halfOf(landing));
      const box = window.shimwiseDraw.sizeOf(part("box"));
      const fit = star ? Math.min(box.width, box.height) / (2.3 * star.radius) : Math.min(box.width / video.videoWidth, box.height / video.videoHeight);
      video.style.width = `${video.videoWidth}px`;
      video.style.transform = star ? `translate(${box.width / 2 - fit * star.x}px, ${box.height / 2 - fit * star.y}px) scale(${fit})` : `scale(${fit})`;
      part("name-first").hidden = !(landing?.is_held && landing.side === "unknown");
      if (!state.start || !isKnown) {
        if (landing?.side === "unknown") {
          const beside = state.named || "Which side of the sharpest it stands on is not known, so what is to go is not either. Choose below, at rest, which way the next turn moves the sensor; rest for a second, turn that way, and come back to where the screw stood.";
          show("waits", `${landing.size_text} µm from the sharpest`, beside, beside);
        } else {
          // Why there are no microns, where something of the feed stands in the way; else what is to be done for them.
          const why = (state.now?.words || []).slice(1).join(" ");
          show("waits", state.now?.words[0] || "", why || (state.start ? "" : "The start is not known yet: once through the sharpest place and back, and hold still."));
        }
        state.scale = window.shimwiseDraw.rail(part("rail"), landing || null, { scale: state.scale, tolerance: STOP_UM, middle: "sharpest" });
        return;
      }
      const left = toGo(landing);
      const half = halfOf(landing);
      const isWithin = Math.abs(left) <= Math.max(STOP_UM, half);
      const kind = isWithin ? "on" : left > 0 ? "short" : "deep";
      const way = left > 0 ? "away from the lens" : "toward the lens";
      const leftWords = `${text(left)} µm are left, give or take ${text(half)}`;
      if (isWithin && half > widestUm) {
        const next = state.start.half > widestUm && !state.start.rests ? "The start is known no better: start over." : "Hold still; where that does not narrow it, go through the sharpest place again and come back.";
        show("waits", "Not known well enough to stop", `${leftWords}: too wide to stop by. ${next}`, `Not known well enough to stop. ${next}`);
      } else if (isWithin) {
        show(kind, "Stop: inside", `${leftWords}: leave it here.`, "Stop: inside.");
      } else {
        show(kind, `${text(left)} µm to go`, `${way}, give or take ${text(half)}; it stood at ${state.start.um.toFixed(1).replace("-", "−")} µm.`, `${Math.round(Math.abs(left))} µm to go, ${way}.`);
      }
      state.scale = window.shimwiseDraw.rail(part("rail"), { um: -left, half_um: half, side: kind }, { scale: state.scale, tolerance: STOP_UM, middle: "where it is to be" });
    }

    // The screw at one and the same mark, come to from either side: what lies between is its play.
    function atMark() {
      const landing = state.held;
      if (!landing) return;
      state.marks.push({ um: landing.um, half: landing.half_um, trend: state.trend });
      const [last, other] = [state.marks.at(-1), [...state.marks].reverse().find((one) => one.trend && one.trend !== state.trend)];
      part("play").textContent = other
        ? `Play of the screw: ${text(last.um - other.um)} µm, give or take ${text(Math.hypot(last.half, other.half))}, between the two ways to its mark.`
        : `At its mark: ${last.um.toFixed(1).replace("-", "−")} µm. Turn on, come back to the mark from the other side, hold still, and press again: the difference is its play.`;
    }

    function use() {
      const landing = state.held;
      if (!state.start || !landing) return;
      const moved = landing.um - state.start.um;
      const answer = document.getElementById("answer");
      answer.value = `${text(moved)} ± ${text(Math.max(halfOf(landing), 0.1))} µm ${moved >= 0 ? "away" : "toward"} by the picture`;
      answer.closest("details").open = true;
      here((kept) => kept.setItem(USED, answer.value));
      feed.stop();
      refused("");
      answer.scrollIntoView({ block: "center" });
      answer.focus({ preventScroll: true });
    }

    // A move that was taken over and not saved yet outlives a reload in this window.
    const used = here((kept) => kept.getItem(USED));
    const typed = document.getElementById("answer");
    if (used && typed && !typed.value) {
      typed.value = used;
      typed.closest("details").open = true;
    }

    part("open-camera").addEventListener("click", () => {
      if (!field("pixel").value.trim()) {
        refused("Type the size of the sensor’s pixel first, in µm: it stands in the camera’s data.");
        field("pixel").focus();
        return;
      }
      refused("");
      Object.assign(state, { now: null, held: null, start: null, marks: [], trend: 0, last: null });
      part("play").textContent = "";
      show("waits", "Opening the camera…");
      part("live-part").hidden = false;
      part("open-camera").hidden = true;
      part("close-camera").hidden = false;
      window.shimwiseSensor.keep(panel.dataset.body, { pixel: field("pixel").value, across: field("across").value });
      feed.open(kept.device || "");
    });
    part("close-camera").addEventListener("click", () => {
      feed.stop();
      refused("");
    });
    part("start").addEventListener("click", () => {
      if (state.held) begins(state.held);
    });
    const startOver = () => {
      Object.assign(state, { start: null, marks: [], trend: 0, last: null });
      part("play").textContent = "";
      feed.startOver();
    };
    part("start-over").addEventListener("click", startOver);
    for (const one of panel.querySelectorAll("[name=watch-first]")) {
      one.addEventListener("change", () => {
        if (!feed.isOpen) return;
        if (one.value) feed.nameFirst(one.value);
        else part("open-camera").click();
      });
    }
    for (const one of panel.querySelectorAll("[data-next-turn]")) {
      one.addEventListener("click", () => {
        panel.querySelector(`[name=watch-first][value="${one.dataset.nextTurn}"]`).checked = true;
        feed.nameFirst(one.dataset.nextTurn);
        state.named = `Rest for a second, then turn so that the sensor moves ${one.textContent}, and come back.`;
      });
    }
    part("at-mark").addEventListener("click", atMark);
    part("use").addEventListener("click", use);
    part("box").addEventListener("click", (event) => {
      if (!feed.isOpen || state.now?.stars.length) return;
      const box = part("box").getBoundingClientRect();
      const fit = Math.min(box.width / video.videoWidth, box.height / video.videoHeight);
      feed.pick((event.clientX - box.left) / fit, (event.clientY - box.top) / fit);
    });
  }

  function begin() {
    const panel = document.getElementById("watch");
    if (!panel || panel.dataset.begun) return;
    panel.dataset.begun = "yes";
    if (feed) feed.stop();  // of a step that was put in anew
    watch(panel);
  }
  document.body.addEventListener("htmx:afterSwap", () => {
    if (!document.getElementById("watch")) {
      feed?.stop();
      here((kept) => kept.removeItem(USED));
    }
    begin();
  });
  begin();
})();
