// By picture, beside the pad: the camera is opened when the person asks, the landing shown live, and saved.
(() => {
  "use strict";

  const panel = document.getElementById("by-picture");
  if (!panel) return;
  const part = (name) => panel.querySelector(`[data-${name}]`);
  const field = (name) => document.getElementById(`feed-${name}`);
  const form = () => document.getElementById("read-form");
  const video = part("video");
  const { CONTRAST_S } = window.shimwiseDraw;
  const SAID_MS = 2500;
  const OLD_MS = 3000;  // another device's figures come five times a second: one so old is not shown as it stands
  const TAP_MS = 8000;  // the hint to tap on a star stays for so long

  const state = { answer: null, zoom: false, seconds: [], rate: [], scale: 40, saidAt: 0, said: "", other: null, tapTill: 0 };

  function show(name, isShown) {
    part(name).hidden = !isShown;
  }

  const key = document.getElementById("by-picture-key");
  function unfold(isOpen) {
    panel.hidden = !isOpen;
    key.setAttribute("aria-expanded", String(isOpen));
    key.classList.toggle("is-open", isOpen);
    // What to take next is offered by picture then, where the verdict knows it.
    document.body.classList.toggle("by-picture-now", isOpen);
    if (isOpen) panel.dispatchEvent(new CustomEvent("shimwise:unfolded", { bubbles: true }));
  }

  // ---- what is measured: the choices of the pad ----

  function chosen(name) {
    const input = form()?.querySelector(`input[name="${name}"]:checked, input[name="${name}"][type="hidden"]`);
    return input?.value || "";
  }
  function wordsOf(name) {
    const label = form()?.querySelector(`input[name="${name}"]:checked`)?.closest("label");
    return label?.querySelector("span").firstChild.textContent.trim() || "";
  }
  function valueOf(name) {
    const input = form()?.elements[name];
    return input && !input.disabled && "value" in input ? input.value.trim() : "";
  }
  function measuredNow() {
    const isZoom = !form()?.querySelector("[data-for-zoom]")?.hidden;
    return {
      body_id: chosen("body_id"), lens_id: chosen("lens_id"), setup_id: chosen("setup_id"),
      body: wordsOf("body_id"), lens: wordsOf("lens_id"), at: chosen("setup_id") ? wordsOf("setup_id") : valueOf("distance_text"),
      distance_text: chosen("setup_id") ? "" : valueOf("distance_text"),
      focal_mm: isZoom ? valueOf("focal_mm") : "", axis: chosen("axis"),
    };
  }
  const knownOf = (kind, id) => panel.querySelector(`[data-${kind}-known="${CSS.escape(id)}"]`)?.dataset || {};
  const keyOf = (of) => ["body_id", "lens_id", "setup_id", "distance_text", "focal_mm", "axis"].map((name) => of[name]).join("|");

  const plain = (text) => {
    const value = Number(String(text).trim().replace(",", ".").replace(/^[fF]\/?/, ""));
    return String(text).trim() && Number.isFinite(value) ? value : null;
  };

  function keep() {
    const known = { pixel: field("pixel").value, across: field("across").value, first: chosenOf("feed-first"), device: feed.deviceId || state.device || "" };
    window.shimwiseSensor.keep(measuredNow().body_id, known);
  }
  const chosenOf = (name) => panel.querySelector(`input[name="${name}"]:checked`).value;

  function fillIn() {
    const of = measuredNow();
    const kept = window.shimwiseSensor.keptOf(of.body_id);
    if (state.of === keyOf(of)) return;
    state.of = keyOf(of);
    state.unsaved = null;
    show("same-setting", state.setting?.key === state.of);
    sayOfSave("", false);
    field("fnumber").value = valueOf("fnumber") || knownOf("lens", of.lens_id).fnumber || "";
    field("pixel").value = kept.pixel || knownOf("body", of.body_id).pixel || "";
    field("across").value = kept.across || "";
    state.device = kept.device || "";
    if (kept.first) panel.querySelector(`input[name="feed-first"][value="${kept.first}"]`).checked = true;
  }

  function told() {
    return {
      pixel_um: plain(field("pixel").value), across_px: plain(field("across").value), fnumber: plain(field("fnumber").value),
      first: chosenOf("feed-first"), stars: Number(chosenOf("feed-stars")), ...sight(), takes_over: state.takesOver === true, of: measuredNow(),
    };
  }

  // Focal length and taped distance in mm, where they are known: they tell the chart's own turn from the sensor's.
  function sight() {
    const [lens, setup] = ["lens_id", "setup_id"].map((name) => form()?.querySelector(`input[name="${name}"]:checked`));
    const focals = (lens?.dataset.focals || "").split(" ").filter(Boolean);
    return { focal_mm: focals.length === 1 ? plain(focals[0]) : plain(measuredNow().focal_mm), distance_mm: plain(setup?.dataset.mm || "") };
  }

  // ---- the camera ----

  const feed = window.shimwiseFeed({
    path: panel.dataset.feed,
    video,
    told,
    on: { answer: answered, state: changed, refused },
  });

  function changed(what) {
    if (what === "waits") return waits("The camera is on. The server is slow to answer: waiting for it…");
    panel.dataset.state = what;
    if (what === "stalls") part("rate").textContent = "The camera sends nothing.";
    if (what !== "runs") return;
    state.takesOver = false;
    part("told").open = false;
    tellWays();
    keep();
    devices();
  }
  // Nothing new comes: what was shown is old, and cannot be saved.
  function waits(words) {
    state.answer = null;
    draw();
    part("figure").textContent = words;
  }
  function tellWays() {
    const { fnumber, pixel_um: pixel, first } = told();
    part("told-words").textContent = [fnumber ? `f/${fnumber}` : "no f-number", `pixel ${pixel} µm`, first === "away" ? "nearer marks first" : "farther marks first"].join(" · ");
  }

  async function openCamera() {
    fillIn();
    show("told", true);
    if (!field("pixel").value.trim()) {
      part("told").open = true;
      refused("Type the size of the sensor’s pixel first, in µm: it stands in the camera’s data. It is kept for this body.");
      field("pixel").focus();
      return;
    }
    if (field("fnumber").value.trim() && plain(field("fnumber").value) === null) {
      part("told").open = true;
      refused("Type the f-number as a number, such as 2. A T-stop is another figure; left empty, there are no microns.");
      field("fnumber").focus();
      return;
    }
    refused("");
    if (!state.unsaved) sayOfSave("", false);
    if (feed.hindrance()) return refused(feed.hindrance());
    begin();
    state.other = null;
    watching(false);
    show("live-part", true);
    part("open-camera").hidden = true;
    show("close-camera", true);
    part("figure").textContent = "Opening the camera…";
    await feed.open(state.device);
  }

  function begin() {
    Object.assign(state, { answer: null, seconds: [], rate: [], scale: 40, zoom: false, measured: keyOf(measuredNow()) });
    part("rate").textContent = part("named").textContent = "";
    draw();
  }

  function closeCamera() {
    feed.stop();
    refused("");
  }

  // Ends what is shown as live; empty words where the person has closed the camera.
  function refused(words, code = "") {
    const line = part("refused");
    line.textContent = words;
    line.hidden = !words;
    show("take-over", code === "other_page");
    if (feed && feed.isOpen) return;
    panel.dataset.state = "closed";
    part("open-camera").hidden = false;
    show("close-camera", false);
    show("live-part", false);
    if (code === "" && /chosen is not connected/.test(words)) state.device = "";
  }

  async function devices() {
    const found = await feed.devices();
    show("devices", found.length > 1);
    part("device-chips").replaceChildren(...found.map((one, number) => {
      const label = document.createElement("label");
      label.className = "chip";
      const input = document.createElement("input");
      Object.assign(input, { type: "radio", name: "feed-device", value: one.deviceId, checked: one.deviceId === feed.deviceId });
      const words = document.createElement("span");
      words.textContent = one.label || `camera ${number + 1}`;
      label.append(input, words);
      return label;
    }));
  }

  // ---- figures ----

  function answered(said) {
    state.answer = said;
    const now = performance.now() / 1000;
    state.rate = [...state.rate.filter((at) => at > now - 2), now];
    if (said.contrast !== null) state.seconds.push([now, said.contrast]);
    if (state.setting?.rests && !said.landing?.is_held) ringMoved();
    while (state.seconds.length && state.seconds[0][0] < now - CONTRAST_S) state.seconds.shift();
    drawSoon();
  }
  const drawSoon = window.shimwiseDraw.unhurried(() => draw());

  function isTarget() {
    const of = state.other || measuredNow();
    return Boolean(of.lens_id && (of.setup_id || of.distance_text));
  }

  const SIGNS = { short: "◀ ", deep: " ▶", on: "", unknown: "" };
  const WORDS = { short: "short", deep: "deep", on: "on the mark", unknown: "from the sharpest" };

  function figureOf(landing, words) {
    if (!landing) return ["", words[0] || ""];
    if (landing.side === "on") return ["on the mark", `within ${landing.half_text} µm, with the ring on the mark.`];
    const beside = landing.side === "unknown" ? `give or take ${landing.half_text}; which way is not known${landing.is_held ? ": choose the next turn below" : ""}.` : `give or take ${landing.half_text}, with the ring on the mark.`;
    const sides = [landing.side === "short" ? SIGNS.short : "", `${landing.size_text} µm ${WORDS[landing.side]}`, landing.side === "deep" ? SIGNS.deep : ""];
    return [sides.join(""), beside];
  }

  function draw() {
    const said = state.answer;
    const landing = said?.landing || null;
    const [figure, beside] = figureOf(landing, said?.words || ["Looking for the star."]);
    part("figure").textContent = figure || beside;
    part("figure").className = `figure ${figure ? landing.side : "waits"}`;
    part("beside").textContent = figure ? beside : "";
    state.scale = window.shimwiseDraw.rail(part("rail"), landing, { scale: state.scale, tolerance: Number(knownOf("body", measuredNow().body_id).tolerance || 10) });
    window.shimwiseDraw.contrast(part("contrast"), state.seconds);
    if (feed.isOpen) {
      drawFacts(said);
      drawStar(said);
    }
    const of = state.other || measuredNow();
    // A press is of what is shown, also where the next frame has been answered since.
    state.held = landing?.can_save ? landing : null;
    part("save").disabled = !(state.held && isTarget()) && !state.unsaved;
    if (!state.unsaved) part("save").textContent = of.lens && of.at ? `Save landing: ${of.lens} at ${of.at}` : "Save landing";
    show("name-first", feed.isOpen && landing?.side === "unknown" && landing.is_held);
    say(said, figure);
  }

  // What is seen goes with the figure; those who listen are told what has changed, and not thirty times a second.
  function say(said, figure) {
    const words = [...(said?.words || []).slice(1)];
    if (performance.now() < state.tapTill) words.unshift("Tap on the star in the picture.");
    if (video.videoHeight > video.videoWidth) words.push("The picture stands upright: turn the camera or phone on its side, so that left and right are those of the sensor.");
    const why = whyNot(said?.landing);
    if (part("why").textContent !== why) part("why").textContent = why;
    part("shown").textContent = words.join(" ");
    const text = [figure ? "" : said?.words[0], why, ...words].filter(Boolean).join(" ").trim();
    if (text === state.said || performance.now() - state.saidAt < SAID_MS && state.said) return;
    state.said = text;
    state.saidAt = performance.now();
    part("said").textContent = text;
  }
  // Why the landing cannot be saved yet; empty where it can.
  function whyNot(landing) {
    if (state.unsaved) return "";
    if (!landing) return "It can be saved after a pass through the sharpest place and back.";
    if (!landing.is_held) return "Hold still for a second.";
    if (landing.side === "unknown") return "It can be saved once it is known which way it is off.";
    return isTarget() ? "" : "Choose lens and taped distance on the pad.";
  }
  function drawFacts(said) {
    if (said) {
      const rate = Math.round(state.rate.length / 2);
      const dropped = said.dropped ? `${said.dropped} dropped` : "nothing dropped";
      part("rate").textContent = `${video.videoWidth} × ${video.videoHeight}, ${rate} a second measured, ${dropped}`;
    }
    const notes = new Set(said?.meter?.notes || []);
    const star = said?.stars.find((one) => one.star === 0);
    const facts = [
      ["star", star ? `${star.spokes} spokes, found` : "not found yet: tap on it"],
      ["light", notes.has("clipped") ? "clipped" : notes.has("black") ? "black" : notes.has("light_changed") ? "changed, taken out" : star ? "even, no clipping" : "–"],
      ["picture", notes.has("frames_depend") ? "frames depend on each other" : notes.has("smoothed") ? "smoothed" : notes.has("sharpened") ? "sharpened by the camera" : star ? "not sharpened" : "–"],
      ["pass", !star ? "–" : notes.has("no_pass") ? "none yet" : "taken"],
    ];
    for (const one of (said?.stars || []).filter((each) => each.star)) {
      const where = `${one.y < video.videoHeight / 2 ? "top" : "bottom"} ${one.x < video.videoWidth / 2 ? "left" : "right"}`;
      facts.push([where, one.offset_um === null ? "no pass yet" : `${one.offset_um.toFixed(1).replace("-", "−")} µm${one.is_signed ? "" : ", side not known"}`]);
    }
    part("tilt").textContent = said?.tilt?.words || (told().stars > 1 && star ? "Tilt: once centre and corners have passed through the sharpest place and back, and the side is known." : "");
    const text = facts.map((one) => one.join(" ")).join("|");
    if (text === state.facts) return;
    state.facts = text;
    part("facts").replaceChildren(...facts.flatMap(([term, words]) => {
      const [name, value] = [document.createElement("dt"), document.createElement("dd")];
      [name.textContent, value.textContent] = [term, words];
      return [name, value];
    }));
  }

  // ---- pictures ----

  const { svg } = window.shimwiseDraw;

  // The picture fits its box; zoomed in, the star fills it.
  function placed() {
    const box = window.shimwiseDraw.sizeOf(part("box"));
    const [width, height] = [video.videoWidth || 16, video.videoHeight || 9];
    const star = state.answer?.stars.find((one) => one.star === 0);
    const fit = Math.min(box.width / width, box.height / height);
    if (!state.zoom || !star) return { scale: fit, left: (box.width - fit * width) / 2, top: (box.height - fit * height) / 2 };
    const scale = Math.min(box.width, box.height) / (2.3 * star.radius);
    return { scale, left: box.width / 2 - scale * star.x, top: box.height / 2 - scale * star.y };
  }

  function drawStar(said) {
    const { scale, left, top } = placed();
    video.style.transform = `translate(${left}px, ${top}px) scale(${scale})`;
    video.style.width = `${video.videoWidth}px`;
    part("ring-over").replaceChildren(...(said?.stars || []).map((one) => svg("circle", { cx: left + scale * one.x, cy: top + scale * one.y, r: Math.max(scale * one.radius * 1.04, 3) })));
    part("zoom").setAttribute("aria-pressed", String(state.zoom));
    part("zoom").textContent = state.zoom ? "Zoom out" : "Zoom in";
  }

  part("box").addEventListener("click", (event) => {
    if (!feed.isOpen || !video.videoWidth) return;
    const box = part("box").getBoundingClientRect();
    const { scale, left, top } = placed();
    const [x, y] = [(event.clientX - box.left - left) / scale, (event.clientY - box.top - top) / scale];
    if (x < 0 || y < 0 || x > video.videoWidth || y > video.videoHeight) return;
    state.tapTill = 0;
    begin();
    feed.pick(x, y);
  });

  // ---- what the person does ----

  function openPanel() {
    unfold(true);
    fillIn();
    show("told", true);
  }
  key.addEventListener("click", () => {
    if (panel.hidden) {
      openPanel();
      panel.scrollIntoView({ block: "nearest" });
    } else {
      closeCamera();
      unfold(false);
    }
    keepHere();
  });

  // Whether it is unfolded, and the stars that are chosen, outlive a reload of the page in this window.
  const HERE = `shimwise-picture-${panel.dataset.feed}`;
  function keepHere() {
    try {
      sessionStorage.setItem(HERE, JSON.stringify({ isOpen: !panel.hidden, stars: chosenOf("feed-stars") }));
    } catch { /* without storage it is chosen again */ }
  }
  function takeHere() {
    let here = {};
    try {
      here = JSON.parse(sessionStorage.getItem(HERE)) || {};
    } catch { /* none */ }
    if (here.stars) panel.querySelector(`input[name="feed-stars"][value="${CSS.escape(here.stars)}"]`).checked = true;
    if (here.isOpen) openPanel();
  }
  takeHere();
  if (location.hash === "#by-picture" && panel.hidden) key.click();
  document.body.addEventListener("click", (event) => {
    if (event.target.closest("[data-take-next=picture]") && panel.hidden) key.click();
  });
  part("open-camera").addEventListener("click", openCamera);
  part("close-camera").addEventListener("click", closeCamera);
  part("take-over-now").addEventListener("click", () => {
    state.takesOver = true;
    openCamera();
  });
  part("zoom").addEventListener("click", () => {
    state.zoom = !state.zoom;
    draw();
  });
  part("other-star").addEventListener("click", () => {
    state.zoom = false;
    state.tapTill = performance.now() + TAP_MS;
    draw();
  });
  part("start-over").addEventListener("click", () => {
    begin();
    feed.startOver();
  });
  part("told").addEventListener("change", (event) => {
    keepHere();
    if (event.target.name === "feed-device") state.device = event.target.value;
    if (!feed.isOpen) return;
    if (event.target.name === "feed-first") nameFirst(event.target.value);
    else openCamera();
  });
  // The way of the next turn is named at rest; what the passes have shown stays.
  function nameFirst(way) {
    const choice = panel.querySelector(`input[name="feed-first"][value="${way}"]`);
    choice.checked = true;
    feed.nameFirst(way);
    keep();
    tellWays();
    part("named").textContent = `Rest for a second, then turn ${wordsOfChoice(choice)} and come back.`;
  }
  const wordsOfChoice = (input) => `the ${input.closest("label").textContent.trim()}`;
  for (const one of panel.querySelectorAll("[data-next-turn]")) one.addEventListener("click", () => nameFirst(one.dataset.nextTurn));
  // Another lens, body or distance is another landing: what its passes showed does not hold any more.
  document.body.addEventListener("shimwise:chosen", () => {
    fillIn();
    if (feed.isOpen && state.measured !== keyOf(measuredNow())) openCamera();
  });

  // ---- the landing is saved as it stands; what could not be sent waits for the next press ----

  function operator() {
    const input = form()?.elements.operator;
    return input ? input.value.trim() : "";
  }

  async function save() {
    const landing = state.held;
    const of = state.other || measuredNow();
    if (!landing && !state.unsaved) return;
    if (!operator()) return sayOfSave("Type your name on the pad first; this device keeps it.", true);
    if (!isTarget()) return sayOfSave("Choose lens and taped distance on the pad first.", true);
    const key = keyOf(of);
    const setting = part("same").checked && state.setting?.key === key ? state.setting.id : window.shimwiseId();
    const fresh = {
      id: window.shimwiseId(), body_id: of.body_id, lens_id: of.lens_id, landing_um: landing?.um, landing_sd_um: landing?.sd_um, setting, asks: true,
      ...(of.setup_id ? { setup_id: of.setup_id } : { distance_text: of.distance_text }),
      ...(of.axis ? { axis: of.axis } : {}), ...(plain(of.focal_mm) === null ? {} : { focal_mm: plain(of.focal_mm) }),
      ...(plain(field("fnumber").value) === null || state.other ? {} : { fnumber: plain(field("fnumber").value) }),
    };
    const sent = { ...(state.unsaved?.key === key ? state.unsaved.sent : fresh), operator: operator() };
    part("save").disabled = true;
    try {
      const answer = await fetch(panel.dataset.keepAt, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(sent) });
      const said = await answer.json();
      if (answer.ok) return saved(said.reading, key, setting);
      const isBeyond = said.notices?.some((one) => one.code === "landing_beyond");
      state.unsaved = isBeyond ? { key, sent: { ...sent, asks: false } } : null;
      sayOfSave(said.detail, true, isBeyond ? "Save it all the same" : "");
    } catch {
      state.unsaved = { key, sent };
      sayOfSave("The server does not answer. The landing waits here: press again.", true, "Save it again");
    }
  }

  function saved(reading, key, setting) {
    state.unsaved = null;
    // Saved once more while nothing has moved, the ring stands as it was set; after a move that is for the person to say.
    state.setting = { key, id: setting, rests: true };
    show("same-setting", true);
    part("same").checked = true;
    sayOfSave(`Saved. ${reading.lens} at ${reading.distance_text}: ${reading.reading_text}.`, false);
    document.body.dispatchEvent(new CustomEvent("shimwise:changed", { bubbles: true }));
  }

  function ringMoved() {
    state.setting.rests = false;
    part("same").checked = false;
  }

  function sayOfSave(words, isWrong, onButton = "") {
    const line = part("saved");
    line.textContent = words;
    line.className = isWrong ? "wrong" : "saved";
    if (onButton) part("save").textContent = onButton;
    if (onButton) part("save").disabled = false;
  }

  part("save").addEventListener("click", save);

  // ---- what another device measures is shown here too ----

  function watching(isWatching) {
    panel.classList.toggle("is-watching", isWatching);
    show("live-part", isWatching);
    part("feeding").textContent = isWatching ? "Measured by another device." : "The camera is on.";
  }
  document.addEventListener("shimwise:figure", ({ detail }) => {
    if (feed.isOpen || panel.dataset.state === "opens") return;
    clearTimeout(state.aging);
    if (!detail.is_live) {
      state.other = null;
      watching(false);
      return;
    }
    if (!state.other) begin();
    unfold(true);
    state.other = detail.of;
    watching(true);
    part("rate").textContent = [detail.of.lens, detail.of.at && `at ${detail.of.at}`, detail.of.body && `on ${detail.of.body}`].filter(Boolean).join(" ");
    answered({ ...detail, meter: null, stars: [], dropped: 0 });
    state.aging = setTimeout(() => waits("The other device sends nothing new: waiting for it…"), OLD_MS);
  });
})();
