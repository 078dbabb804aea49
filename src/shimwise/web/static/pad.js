// The pad: enters what the plain field takes too (2' 11 1/2", 914 mm, INF, on, short by 1/4"). The server reckons.
(() => {
  "use strict";

  const FEET_STEPS = [["1/4", "¼″"], ["1/8", "⅛″"], ["1/16", "1⁄16″"], ["1/2", "½″"], ["1", "1″"]];
  const METRIC_STEPS = [["5", "5 mm"], ["2", "2 mm"], ["1", "1 mm"], ["10", "10 mm"], ["50", "50 mm"]];
  const DENOMINATOR = 16;
  const MODE_KEY = "shimwise-pad";
  const EXAMPLES = { ft: "2' 11 1/2\", on", m: "905 mm, on" };
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
      const mode = words.closest(".pad");
      const list = mode ? (mode.dataset.mode === "m" ? METRIC_STEPS : FEET_STEPS) : steps();
      words.textContent = list[step][1];
    }
  }

  function showMode(mode) {
    form().dataset.mode = mode;
    for (const pad of form().querySelectorAll(".pad")) pad.hidden = pad.dataset.mode !== mode;
    field().placeholder = EXAMPLES[mode];
    showStep();
  }

  // ---- the pad of the lens's own scale, unless a person chose the other one for such lenses ----

  let scale = "";

  function modes() {
    try {
      const kept = JSON.parse(localStorage.getItem(MODE_KEY) || "{}");
      return kept && typeof kept === "object" ? kept : {};
    } catch {
      return {};
    }
  }

  function chooseMode(mode) {
    try {
      localStorage.setItem(MODE_KEY, JSON.stringify({ ...modes(), [scale]: mode }));
    } catch { /* without storage it lasts as long as the lens */ }
    showMode(mode);
  }

  document.body.addEventListener("shimwise:chosen", (event) => {
    const wanted = event.detail.scale;
    if (!wanted || wanted === scale && form().dataset.mode) return;
    scale = wanted;
    showMode(modes()[scale] || scale);
  });

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
    else if ("metric" in data) chooseMode("m");
    else if ("feet" in data) chooseMode("ft");
    else if ("step" in data) {
      step = (step + 1) % steps().length;
      showStep();
    }
  }

  document.body.addEventListener("click", (event) => {
    const button = event.target.closest("[data-pad] button");
    if (button && form()) pressed(button);
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
    saving(false);  // what is typed now is the next reading already
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
      if (!answer().querySelector(".wrong")) answer().replaceChildren();  // what Save said meanwhile stands
    }
  });
  for (const failure of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) {
    document.body.addEventListener(failure, (event) => {
      if (event.detail.elt === field() && field().value.trim() && !answer().querySelector(".wrong")) sayLater();
    });
  }
  document.body.addEventListener("htmx:sendError", (event) => {
    if (!event.detail.elt.matches("#answer .btn")) return;
    const line = document.createElement("p");
    line.className = "wrong";
    line.textContent = "The server does not answer, so it stays. Withdraw it in the list later.";
    answer().replaceChildren(line);
  });
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

  // ---- Save says at once that it saves, and the list shows the reading as on its way ----

  function provisional(state) {
    let list = document.querySelector("#readings ol");
    if (!list) {
      list = document.createElement("ol");
      list.className = "rows readings";
      document.getElementById("readings-head")?.after(list);
    }
    const item = document.createElement("li");
    item.className = "is-coming";
    item.dataset.coming = state;
    for (const [name, words] of [["number", ""], ["what", `${form().querySelector("[data-now]").textContent}: ${field().value.trim()}`], ["landing", state]]) {
      const text = document.createElement("span");
      text.className = name;
      text.textContent = words;
      item.append(text);
    }
    list.prepend(item);
  }

  const coming = () => document.querySelector("[data-coming=saving]");

  function saving(isSaving) {
    const save = form()?.querySelector(".save");
    if (!save || (save.getAttribute("aria-busy") === "true") === isSaving) return;
    if (isSaving) {
      save.dataset.words = save.textContent;
      provisional("saving");
    }
    save.textContent = isSaving ? "Saving…" : save.dataset.words;
    save.setAttribute("aria-busy", String(isSaving));
  }

  const isOurs = (event) => form() && event.detail.elt === form();
  // Before the form's own listeners: without the server they may say at once that it is no reading.
  document.addEventListener("submit", (event) => event.target === form() && saving(true), true);
  document.addEventListener("shimwise:check", (event) => {
    if (!event.defaultPrevented) return;
    coming()?.remove();
    saving(false);
  });
  document.body.addEventListener("htmx:afterRequest", (event) => {
    if (!isOurs(event)) return;
    if (!event.detail.successful) coming()?.remove();
    saving(false);
  });
  document.body.addEventListener("shimwise:kept", () => {
    const item = coming();
    if (item) {
      item.dataset.coming = "waiting";
      item.lastElementChild.textContent = "waiting";
    }
    saving(false);
  });

  function begin() {
    if (!form()) return;
    const isTouch = window.matchMedia("(pointer: coarse)").matches;
    field().inputMode = isTouch ? "none" : "text";
    if (!form().elements.id.value) form().elements.id.value = window.shimwiseId();
    showMode(modes()[scale] || scale || form().querySelector(".pad:not([hidden])").dataset.mode);
  }

  document.body.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id === "read") {
      begin();
      // On glass the field brings up no keyboard, and the page stays where it is.
      if (form()) (form().querySelector("[aria-invalid=true]") || field()).focus({ preventScroll: true });
    } else if (event.detail.target.id === "answer" && form()) {
      markBeside();
    }
  });
  window.addEventListener("pageshow", (event) => {
    if (event.persisted && form()) form().elements.id.value = window.shimwiseId();
  });
  begin();
})();
