// The pad: enters what the plain field takes too (2' 11 1/2", 914 mm, INF, on, short by 1/4"). The server reckons.
(() => {
  "use strict";

  const FEET_STEPS = [["1/4", "¼″"], ["1/8", "⅛″"], ["1/16", "1⁄16″"], ["1/2", "½″"], ["1", "1″"]];
  const METRIC_STEPS = [["5", "5 mm"], ["2", "2 mm"], ["1", "1 mm"], ["10", "10 mm"], ["50", "50 mm"]];
  const DENOMINATOR = 16;
  const MODE_KEY = "shimwise-pad";
  const PATIENCE_MS = 6000;
  const LATER = "Its landing shows when the server answers.";
  let step = 0;

  const form = () => document.getElementById("read-form");
  const field = () => document.getElementById("reading_text");
  const isMetric = () => !form().querySelector('.pad[data-mode="m"]').hidden;
  const steps = () => (isMetric() ? METRIC_STEPS : FEET_STEPS);

  function put(text) {
    const input = field();
    input.value = text;
    input.dispatchEvent(new Event("input", { bubbles: true }));
    input.scrollLeft = input.scrollWidth;
  }

  const isWords = (text) => /^(on|short|deep|inf)/i.test(text.trim());
  const begun = () => (isWords(field().value) ? "" : field().value);

  // Inches as whole and reduced fraction: 3 of 16ths -> 3/16, 20 -> 1 1/4.
  function inchText(sixteenths) {
    const whole = Math.floor(sixteenths / DENOMINATOR);
    let part = sixteenths % DENOMINATOR;
    let below = DENOMINATOR;
    while (part && part % 2 === 0) {
      part /= 2;
      below /= 2;
    }
    return [whole || "", part ? `${part}/${below}` : ""].filter(Boolean).join(" ");
  }

  function sixteenths(text) {
    return text.trim().split(/\s+/).reduce((sum, word) => {
      const [above, below] = word.split("/").map(Number);
      return sum + (below ? (above / below) * DENOMINATOR : above * DENOMINATOR);
    }, 0);
  }

  function nudge(way) {
    const sign = way === "short" ? -1 : 1;
    const unit = isMetric() ? "mm" : '"';
    const found = /^(short|deep) by (.+?)\s*(mm|")$/.exec(field().value);
    const amountOf = (text) => (isMetric() ? Number(text) : sixteenths(text));
    const before = found && found[3] === unit ? (found[1] === "short" ? -1 : 1) * amountOf(found[2]) : 0;
    const now = before + sign * amountOf(steps()[step][0]);
    if (Math.abs(now) < 1e-9) {
      put("on");
      return;
    }
    const words = isMetric() ? `${+Math.abs(now).toFixed(3)} mm` : `${inchText(Math.round(Math.abs(now)))}"`;
    put(`${now < 0 ? "short" : "deep"} by ${words}`);
  }

  function key(text) {
    const before = begun();
    if (text === "'" || text === '"') {
      const bare = before.trimEnd();
      put(!bare || /['"]$/.test(bare) ? before : `${bare}${text}${text === "'" ? " " : ""}`);
      return;
    }
    put(before.replace(/"$/, "") + text);
  }

  function fraction(text) {
    const before = begun().replace(/\s*\d+\/\d+"?$/, "").replace(/"$/, "").trimEnd();
    put(`${before}${before ? " " : ""}${text}"`);
  }

  function unit(text) {
    const bare = begun().replace(/\s*(mm|cm|m)$/, "").trimEnd();
    put(bare ? `${bare} ${text}` : bare);
  }

  function erase() {
    const before = field().value;
    if (isWords(before)) {
      put("");
      return;
    }
    put(before.replace(/(\s*\d+\/\d+"?|\s*(mm|cm|m)|['"]?\s?|.)$/, "") === before ? before.slice(0, -1) : before.replace(/(\s*\d+\/\d+"?|\s*(?:mm|cm|m)|['"]\s?|.)$/, ""));
  }

  function showStep() {
    for (const words of form().querySelectorAll("[data-step-words]")) {
      const mode = words.closest("[data-mode]");
      const list = mode ? (mode.dataset.mode === "m" ? METRIC_STEPS : FEET_STEPS) : steps();
      words.textContent = list[step][1];
    }
  }

  function showMode(mode) {
    for (const pad of form().querySelectorAll("[data-mode]")) {
      pad.hidden = pad.dataset.mode !== mode;
    }
    showStep();
    try {
      localStorage.setItem(MODE_KEY, mode);
    } catch { /* without storage the house's unit stands */ }
  }

  const chosen = (name) => form().querySelector(`input[name="${name}"]:checked`) || form().querySelector(`input[name="${name}"][type="hidden"]`);

  // What is hidden is not sent either.
  function show(fieldset, isShown) {
    fieldset.hidden = !isShown;
    fieldset.disabled = !isShown;
  }

  // Only the chosen body's set-ups are offered, the free distance only where it is wanted, zoom and axis only where there is one.
  function showChoices() {
    const body = chosen("body_id");
    for (const chip of form().querySelectorAll("[data-of-body]")) {
      chip.hidden = Boolean(body) && chip.dataset.ofBody !== body.value;
    }
    const setup = chosen("setup_id");
    if (setup && setup.closest("[hidden]")) {
      const same = [...form().querySelectorAll("[data-of-body]:not([hidden]) input")].find((one) => one.dataset.distance === setup.dataset.distance);
      (same || form().querySelector('[data-of-body]:not([hidden]) input') || form().querySelector('input[name="setup_id"][value=""]')).checked = true;
    }
    const isOther = !chosen("setup_id") || !chosen("setup_id").value;
    form().querySelector("[data-other-distance]").hidden = !isOther;
    const lens = chosen("lens_id");
    show(form().querySelector("[data-for-zoom]"), Boolean(lens) && (lens.dataset.focals || "").includes(" "));
    show(form().querySelector("[data-for-anamorphic]"), Boolean(lens) && Boolean(lens.dataset.anamorphic));
    const offer = document.querySelector("button[data-take-next]");
    if (offer) {
      const now = chosen("setup_id");
      offer.hidden = Boolean(body && lens && now) && body.value === offer.dataset.bodyId && lens.value === offer.dataset.lensId
        && (now.value ? now.value === offer.dataset.setupId : form().elements.distance_text.value === offer.dataset.distanceText);
    }
  }

  function choose(name, value) {
    const input = form().querySelector(`input[name="${name}"][value="${CSS.escape(value)}"]`);
    if (input && input.type === "radio") {
      input.checked = true;
    }
  }

  function takeNext(offer) {
    choose("body_id", offer.dataset.bodyId);
    choose("lens_id", offer.dataset.lensId);
    showChoices();
    choose("setup_id", offer.dataset.setupId);
    if (!offer.dataset.setupId) {
      form().elements.distance_text.value = offer.dataset.distanceText;
    }
    put("");
    showChoices();
  }

  function pressed(button) {
    const data = button.dataset;
    if (data.key !== undefined) key(data.key);
    else if (data.fraction) fraction(data.fraction);
    else if (data.unit) unit(data.unit);
    else if (data.nudge) nudge(data.nudge);
    else if ("on" in data) put("on");
    else if ("infinity" in data) put("INF");
    else if ("erase" in data) erase();
    else if ("clear" in data) put("");
    else if ("metric" in data) showMode("m");
    else if ("feet" in data) showMode("ft");
    else if ("step" in data) {
      step = (step + 1) % steps().length;
      showStep();
    }
  }

  document.body.addEventListener("click", (event) => {
    const button = event.target.closest("button, a[data-take-next]");
    if (!button || !form()) return;
    if (button.closest("[data-pad]")) pressed(button);
    else if (button.dataset.distanceKey) {
      form().elements.distance_text.value = button.dataset.distanceKey;
      field().dispatchEvent(new CustomEvent("shimwise:typed", { bubbles: true }));
      showChoices();
    } else if ("takeNext" in button.dataset) {
      event.preventDefault();
      takeNext(button);
      form().scrollIntoView({ block: "nearest" });
    }
  });

  document.body.addEventListener("change", (event) => {
    if (!form() || !form().contains(event.target) || event.target === field()) return;
    showChoices();
    if (field().value.trim()) field().dispatchEvent(new CustomEvent("shimwise:typed", { bubbles: true }));
  });
  document.body.addEventListener("input", (event) => {
    if (form() && event.target === form().elements.distance_text && field().value.trim()) {
      field().dispatchEvent(new CustomEvent("shimwise:typed", { bubbles: true }));
    }
  });
  // ---- what stands under the reading: always of what is typed now ----

  const answer = () => document.getElementById("answer");

  function sayLater() {
    const line = document.createElement("p");
    line.className = "quiet";
    line.dataset.later = "";
    line.textContent = LATER;
    answer().replaceChildren(line);
  }

  document.body.addEventListener("input", (event) => {
    if (!form() || event.target !== field()) return;
    if (answer().querySelector(".saved, .wrong")) answer().replaceChildren();
    field().removeAttribute("aria-invalid");
  });
  document.body.addEventListener("htmx:configRequest", (event) => {
    if (event.detail.elt === field()) event.detail.timeout = PATIENCE_MS;
  });
  // Nothing is asked of the server while nothing is typed.
  document.body.addEventListener("htmx:beforeRequest", (event) => {
    if (event.detail.elt === field() && !field().value.trim()) {
      event.preventDefault();
      answer().replaceChildren();
    }
  });
  for (const failure of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) {
    document.body.addEventListener(failure, (event) => {
      if (event.detail.elt === field() && field().value.trim() && !answer().querySelector(".wrong")) sayLater();
    });
  }
  function askAgain() {
    if (form() && answer().querySelector("[data-later]")) field().dispatchEvent(new CustomEvent("shimwise:typed", { bubbles: true }));
  }
  document.addEventListener("shimwise:back", askAgain);
  document.body.addEventListener("shimwise:kept", () => {
    if (!field().value.trim()) answer().replaceChildren();
  });

  // What the preview says of a field beside the reading stands at that field.
  function markBeside() {
    for (const told of form().querySelectorAll("[data-told-of]")) {
      const input = form().elements[told.dataset.toldOf];
      const fields = input instanceof RadioNodeList ? [] : [input];
      for (const one of fields) {
        if (told.querySelector(".wrong")) one.setAttribute("aria-invalid", "true");
        else one.removeAttribute("aria-invalid");
      }
    }
  }

  function begin() {
    if (!form()) return;
    const isTouch = window.matchMedia("(pointer: coarse)").matches;
    field().inputMode = isTouch ? "none" : "text";
    if (!form().elements.id.value) form().elements.id.value = window.shimwiseId();
    let mode = null;
    try {
      mode = localStorage.getItem(MODE_KEY);
    } catch { /* the house's unit stands */ }
    if (mode) showMode(mode);
    else showStep();
    showChoices();
  }

  document.body.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id === "read") {
      begin();
      // On glass the field brings up no keyboard, and the page stays where it is.
      if (form()) (form().querySelector("[aria-invalid=true]") || field()).focus({ preventScroll: true });
    } else if (event.detail.target.id === "answer" && form()) {
      markBeside();
    } else if (event.detail.target.id === "next" || document.getElementById("next")) {
      if (form()) showChoices();
    }
  });
  window.addEventListener("pageshow", (event) => {
    if (event.persisted && form()) form().elements.id.value = window.shimwiseId();
  });
  begin();
})();
