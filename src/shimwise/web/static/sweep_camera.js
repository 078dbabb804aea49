// A sweep from the camera's feed: at each position a second of frames is kept as one picture, and the form sends them as files.
(() => {
  "use strict";
  const LEAST = 5;
  const MANY = 9;
  const WORDS = { sensor: "Sensor stands at, µm", ring: "Ring stands at", chart: "Chart stands at", screw: "Screw stands at, turns" };
  // What was taken outlives the form, which comes anew with a refusal, and is kept until the next sweep is begun.
  const state = { taken: [], chart: null, isOn: false, isSent: false, sentId: "", isFollowed: false, isBusy: false, now: null, seconds: [], size: "" };
  let feed = null;

  const form = () => document.getElementById("sweep-form");
  const part = (name) => form().querySelector(`[data-sweep-${name}]`);
  const field = (name) => form().elements[name];
  const plain = (text) => (String(text).trim() && Number.isFinite(Number(String(text).trim().replace("−", "-").replace(",", "."))) ? Number(String(text).trim().replace("−", "-").replace(",", ".")) : null);
  const bodyOf = () => field("setup_id").selectedOptions[0]?.dataset.body || "";
  const kept = () => window.shimwiseSensor.keptOf(bodyOf());

  function refuse(words) {
    part("refused").textContent = words;
    part("refused").hidden = !words;
  }
  function say(words) {
    part("told").textContent = words;
  }

  // What the server would refuse is said beside its field at once; where it does not answer, when all is sent.
  async function wrongAt(at) {
    const asked = new URLSearchParams({ moved: field("moved").value, at });
    const answer = await fetch(`${form().getAttribute("action")}/at?${asked}`).catch(() => null);
    return answer?.ok ? answer.text() : "";
  }
  function mark(input, words) {
    const id = `${input.id}-wrong`;
    const described = (input.getAttribute("aria-describedby") || "").split(" ").filter((one) => one && one !== id);
    document.getElementById(id)?.remove();
    if (words) input.after(Object.assign(document.createElement("p"), { className: "wrong", id, textContent: words }));
    input.setAttribute("aria-invalid", String(Boolean(words)));
    input.setAttribute("aria-describedby", [...described, ...(words ? [id] : [])].join(" "));
  }

  // ---- files or camera ----

  function choose(isOn) {
    state.isOn = isOn;
    form().dataset.from = isOn ? "camera" : "files";  // no class: htmx puts those back
    part("by-camera").setAttribute("aria-expanded", String(isOn));
    part("by-camera").textContent = isOn ? "Bring files instead" : "Take it from the camera";
    for (const one of form().querySelectorAll("[data-of-camera] [name]")) one.disabled = !isOn;
    for (const name of ["first", "step"]) field(name).disabled = isOn;
    field("files").required = !isOn;
    if (!isOn) {
      feed.stop();
      closed();
      field("files").value = "";
      return;
    }
    if (!field("transfer").value) field("transfer").value = "Rec.709";
    fillIn();
    show();
  }

  function fillIn() {
    const body = document.querySelector(`[data-body-known="${CSS.escape(bodyOf())}"]`)?.dataset || {};
    const lens = document.querySelector(`[data-lens-known="${CSS.escape(field("lens_id").value)}"]`)?.dataset || {};
    field("pitch_um").value ||= kept().pixel || body.pixel || "";
    field("across").value ||= kept().across || "";
    field("fnumber").value ||= lens.fnumber || "";
  }

  // ---- the camera ----

  function told() {
    return { pixel_um: plain(field("pitch_um").value), across_px: plain(field("across").value), fnumber: null, takes_over: true, is_sweep: true };
  }

  function open() {
    refuse("");
    if (!(plain(field("pitch_um").value) > 0)) {
      refuse("Type the size of the sensor’s pixel first, in µm: it stands in the camera’s data. It is kept for this body.");
      return field("pitch_um").focus();
    }
    if (state.isSent) anew();
    Object.assign(state, { now: null, seconds: [] });
    part("live").hidden = false;
    part("open").hidden = true;
    part("close").hidden = false;
    part("seen").textContent = "Opening the camera…";
    feed.open(kept().device || "");
  }
  function closed(words = "") {
    refuse(words);
    part("live").hidden = part("close").hidden = true;
    part("open").hidden = false;
  }
  // Which camera is open, and which others there are.
  async function devices() {
    const found = await feed.devices();
    part("devices").hidden = found.length < 2;
    field("sweep-device").replaceChildren(...found.map((one, number) => new Option(one.label || `camera ${number + 1}`, one.deviceId, false, one.deviceId === feed.deviceId)));
  }

  function changed(what) {
    if (what === "waits") part("seen").textContent = "The camera is on. The server is slow to answer: waiting for it…";
    if (what === "stalls") part("seen").textContent = "The camera sends nothing.";
    if (what !== "runs") return;
    window.shimwiseSensor.keep(bodyOf(), { pixel: field("pitch_um").value, across: field("across").value, device: feed.deviceId });
    devices();
  }

  function answered(said) {
    state.now = said;
    const now = performance.now() / 1000;
    if (said.contrast !== null) state.seconds.push([now, said.contrast]);
    while (state.seconds.length && state.seconds[0][0] < now - window.shimwiseDraw.CONTRAST_S) state.seconds.shift();
    drawSoon();
  }
  const drawSoon = window.shimwiseDraw.unhurried(() => feed.isOpen && state.isOn && draw());

  function draw() {
    const video = part("video");
    const star = starNow();
    part("seen").textContent = `${video.videoWidth} × ${video.videoHeight}. ${star ? `A star of ${star.spokes} spokes is seen.` : state.now?.words[0] || "Looking for the star."}`;
    const box = window.shimwiseDraw.sizeOf(part("box"));
    const fit = Math.min(box.width / video.videoWidth, box.height / video.videoHeight);
    const [left, top] = [(box.width - fit * video.videoWidth) / 2, (box.height - fit * video.videoHeight) / 2];
    video.style.width = `${video.videoWidth}px`;
    video.style.transform = `translate(${left}px, ${top}px) scale(${fit})`;
    part("over").replaceChildren(...(star ? [window.shimwiseDraw.svg("circle", { cx: left + fit * star.x, cy: top + fit * star.y, r: Math.max(fit * star.radius * 1.04, 3) })] : []));
    window.shimwiseDraw.contrast(part("contrast"), state.seconds);
  }
  const starNow = () => state.now?.stars.find((one) => one.star === 0) || null;

  // ---- positions ----

  async function take() {
    const at = part("at").value.trim();
    if (state.isBusy) return;
    refuse("");
    if (!feed.isOpen) return refuse("Open the camera first.");
    if (!at) {
      refuse("Type where it stands now, then take the position.");
      return part("at").focus();
    }
    const size = `${part("video").videoWidth} × ${part("video").videoHeight}`;
    if (state.taken.length && state.size !== size) return refuse(`The picture is ${size} px now, those that were taken are ${state.size}. Choose that size again, or begin anew.`);
    state.isBusy = true;
    part("take").disabled = true;
    say("Taking it: leave all as it is for a second…");
    try {
      const wrong = await wrongAt(at);
      mark(part("at"), wrong);
      if (wrong) {
        say("");
        return part("at").focus();
      }
      const star = starNow();
      const got = await feed.mean(star);
      if (got.problem) {
        say("");
        return got.problem === "gone" ? undefined : refuse(got.problem);
      }
      state.taken.push({ at, wrong: "", star, isLimited: got.isLimited, png: await window.shimwiseGreyPng(got) });
      state.size = size;
      state.isSent = false;
      part("at").value = expected();
      show();
      say(`Position ${state.taken.length} is taken: a second of frames as one picture. Move on, one way only, and let it rest.`);
    } catch (error) {
      say("");
      refuse(`The picture cannot be kept here (${error.message}). Try another browser, or bring files.`);
    } finally {
      state.isBusy = false;
      part("take").disabled = false;
    }
  }

  // After two positions in numbers, or in degrees of a screw, the third is expected as far on.
  function expected() {
    const [last, before] = [-1, -2].map((place) => /^([^°]*)(°.*)?$/.exec(state.taken.at(place)?.at ?? ""));
    const [here, there] = [plain(last[1]), plain(before[1])];
    if (here === null || there === null || last[2] !== before[2]) return "";
    const next = +(2 * here - there).toFixed(6);
    return next < 0 && /[a-z]/i.test(last[2] ?? "") ? "" : String(next).replace("-", "−") + (last[2] ?? "");
  }

  function show() {
    if (!state.isOn) return;
    part("at-label").textContent = WORDS[field("moved").value];
    const best = state.taken.filter((one) => one.star).reduce((most, one) => (most && most.star.modulation >= one.star.modulation ? most : one), null);
    part("taken").replaceChildren(...state.taken.map((one, number) => {
      const [row, name, input, back] = ["li", "label", "input", "button"].map((tag) => document.createElement(tag));
      Object.assign(input, { type: "text", name: "at", id: `sweep-at-${number}`, value: one.at, maxLength: 40, autocomplete: "off" });
      input.addEventListener("input", () => {
        Object.assign(one, { at: input.value, wrong: "" });
        mark(input, "");  // not later: what lies below would move away under a press
      });
      input.addEventListener("change", async () => {
        one.wrong = await wrongAt(one.at);
        mark(document.getElementById(input.id) || input, one.wrong);  // the list is shown anew meanwhile
      });
      name.htmlFor = input.id;
      name.textContent = `${number + 1}`;
      name.append(Object.assign(document.createElement("span"), { className: "seen-by-reader", textContent: ". position, taken at" }));
      Object.assign(back, { type: "button", className: "btn btn-quiet", textContent: "Take back" });
      back.setAttribute("aria-label", `Take position ${number + 1} back`);
      back.addEventListener("click", () => {
        state.taken.splice(number, 1);
        show();
        say(`Position ${number + 1} is taken back.`);
      });
      const seen = document.createElement("span");
      seen.className = "quiet small";
      seen.textContent = !one.star ? "no star" : one === best ? "sharpest" : `${Math.round(100 * one.star.modulation / best.star.modulation)} %`;
      row.append(name, input, seen, back);
      mark(input, one.wrong);
      return row;
    }));
    part("anew").hidden = !state.taken.length;
    if (state.taken.length && state.isSent) part("count").replaceChildren("These were sent. ", toResult(), ". They stay on this page until the next sweep is begun or the page is left.");
    else part("count").textContent = !state.taken.length ? "" : `${state.taken.length} of ${MANY} or more: three and more on either side of the sharpest. Beside each is its contrast, of the sharpest.`;
    field("star").value = best ? [best.star.x, best.star.y, best.star.radius, best.star.spokes].join(";") : "";
    field("signal_range").value = state.taken[0]?.isLimited ? "limited" : "full";
    const across = plain(field("across").value);
    field("scale").value = across && state.size ? across / Math.max(...state.size.split(" × ").map(Number)) : "";
    const files = new DataTransfer();
    state.taken.forEach((one, number) => files.items.add(new File([one.png], `${String(number + 1).padStart(4, "0")}.png`, { type: "image/png" })));
    if (state.chart) files.items.add(state.chart);
    part("chart-name").textContent = state.chart ? "chart.json is taken along." : "";
    field("files").files = files.files;
  }

  async function checkAll() {
    await Promise.all(state.taken.map(async (one) => { one.wrong = await wrongAt(one.at); }));
    show();
  }

  function anew() {
    Object.assign(state, { taken: [], isSent: false, size: "" });
    show();
    say("");
  }

  // ---- sending ----

  // The result is shown among the sweeps, above the form: the way to it is where the person is, and focus follows it there
  // from how far it is to what was found.
  function toResult() {
    const link = Object.assign(document.createElement("a"), { href: "#sweeps-kept", textContent: "See the result" });
    link.addEventListener("click", (event) => {
      event.preventDefault();
      state.isFollowed = true;
      goToResult();
    });
    return link;
  }
  function goToResult() {
    const found = document.getElementById(`sweep-${state.sentId}`);
    const place = found || document.getElementById(`sweep-job-${state.sentId}`);
    state.isFollowed &&= !found;
    place?.scrollIntoView({ block: "center" });
    place?.focus({ preventScroll: true });
  }

  document.addEventListener("submit", (event) => {
    if (event.target !== form() || !state.isOn) return;
    const stop = (words) => {
      event.preventDefault();
      event.stopImmediatePropagation();
      refuse(words);
      part("refused").scrollIntoView({ block: "nearest" });
    };
    if (state.isBusy) return stop("The position is still being taken.");
    if (state.taken.length < LEAST) return stop(`${state.taken.length ? `${state.taken.length} positions are too few` : "No position is taken yet"}: a peak takes ${LEAST} at least, ${MANY} or more are better. Go on; nothing is lost.`);
    const wrong = state.taken.find((one) => one.wrong);
    if (wrong) return stop(wrong.wrong);
    if (state.taken.some((one) => one.isLimited !== state.taken[0].isLimited)) return stop("The camera's codes changed their range between the positions. Begin anew, with one camera.");
    show();
  }, true);
  document.body.addEventListener("htmx:afterRequest", ({ detail }) => {
    if (!state.isOn || detail.requestConfig?.verb !== "post" || !/\/sweeps$/.test(detail.requestConfig.path)) return;
    state.isSent = detail.xhr.status >= 200 && detail.xhr.status < 300;  // a refusal is swapped in, too
    if (!state.isSent || !form()) return;
    state.sentId = detail.requestConfig.parameters.id;
    show();
    part("count").scrollIntoView({ block: "nearest" });
    part("count").querySelector("a").focus();  // the button that was pressed is gone
  });
  // Focus stays on the way itself as long as neither the sweep nor how far it is stands there, between the two.
  document.body.addEventListener("htmx:afterSettle", () => {
    const at = document.activeElement;
    if (state.isFollowed && (at === document.body || at?.closest("[data-sweep-count]"))) goToResult();
  });
  window.addEventListener("beforeunload", (event) => {
    if (state.taken.length && !state.isSent) event.preventDefault();
  });

  function begin() {
    if (!form() || form().dataset.begun) return;
    form().dataset.begun = "yes";
    if (feed) feed.stop();
    feed = window.shimwiseFeed({
      path: form().dataset.feed,
      video: part("video"),
      told,
      on: { answer: answered, state: changed, refused: closed },
    });
    part("by-camera").addEventListener("click", () => choose(!state.isOn));
    part("open").addEventListener("click", open);
    part("close").addEventListener("click", () => {
      feed.stop();
      closed();
    });
    part("take").addEventListener("click", take);
    part("anew").addEventListener("click", anew);
    part("at").addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      event.preventDefault();
      take();
    });
    part("box").addEventListener("click", (event) => {
      const [box, video] = [part("box").getBoundingClientRect(), part("video")];
      const fit = Math.min(box.width / video.videoWidth, box.height / video.videoHeight);
      if (feed.isOpen) feed.pick((event.clientX - box.left - (box.width - fit * video.videoWidth) / 2) / fit, (event.clientY - box.top - (box.height - fit * video.videoHeight) / 2) / fit);
    });
    part("chart").addEventListener("change", () => {
      const file = part("chart").files[0];
      state.chart = file ? new File([file], "chart.json", { type: "application/json" }) : null;
      show();
    });
    form().addEventListener("change", ({ target }) => {
      if (!state.isOn) return;
      if (target.name === "sweep-device") {
        feed.open(target.value);
        return;
      }
      if (["setup_id", "lens_id"].includes(target.name)) {
        for (const name of target.name === "setup_id" ? ["pitch_um", "across"] : ["fnumber"]) field(name).value = "";
        fillIn();
      }
      show();
      if (target.name === "moved") checkAll();
    });
    choose(state.isOn);
    if (state.isOn) form().closest("details").open = true;
  }
  document.body.addEventListener("htmx:afterSwap", begin);
  begin();
})();
