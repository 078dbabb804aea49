// What a reading is of: body, lens, focal length, set-up, and which lens comes next. What is typed is kept in this window.
(() => {
  "use strict";

  const form = () => document.getElementById("read-form");
  const field = () => document.getElementById("reading_text");
  const part = (selector) => form().querySelector(selector);
  const chosen = (name) => part(`input[name="${name}"]:checked`) || part(`input[name="${name}"][type="hidden"]`);
  const valueOf = (name) => chosen(name)?.value || "";
  const wordsOf = (name) => part(`input[name="${name}"]:checked`)?.closest("label").querySelector("span").firstChild.textContent.trim() || "";
  const focalsOf = (lens) => (lens.dataset.focals || "").split(" ").filter(Boolean);

  // What is hidden is not sent either.
  function show(fieldset, isShown) {
    fieldset.hidden = !isShown;
    fieldset.disabled = !isShown;
  }

  function typed() {
    if (field().value.trim()) field().dispatchEvent(new CustomEvent("shimwise:typed", { bubbles: true }));
  }

  function clear() {
    if (!field().value) return;
    field().value = "";
    field().dispatchEvent(new Event("input", { bubbles: true }));
  }

  // ---- only what there is to choose is offered ----

  function showSetups() {
    const body = valueOf("body_id");
    for (const chip of form().querySelectorAll("[data-of-body]")) chip.hidden = Boolean(body) && chip.dataset.ofBody !== body;
    const setup = chosen("setup_id");
    if (setup && setup.closest("[hidden]")) {
      const own = [...form().querySelectorAll("[data-of-body]:not([hidden]) input")];
      const same = own.find((one) => one.dataset.distance === setup.dataset.distance);
      (same || own[0] || part('input[name="setup_id"][value=""]')).checked = true;
    }
    part("[data-other-distance]").hidden = Boolean(valueOf("setup_id"));
  }

  function showFocals(lens) {
    const focals = lens ? focalsOf(lens) : [];
    show(part("[data-for-zoom]"), focals.length > 1);
    const keys = part("[data-focal-keys]");
    if (keys.dataset.of !== focals.join(" ")) {
      keys.dataset.of = focals.join(" ");
      keys.replaceChildren(...(focals.length > 1 ? focals : []).map((mm) => {
        const key = document.createElement("button");
        key.type = "button";
        key.className = "btn";
        key.dataset.focalKey = mm;
        key.textContent = mm;
        key.setAttribute("aria-label", `${mm} mm`);
        return key;
      }));
    }
    for (const key of keys.children) key.setAttribute("aria-pressed", String(key.dataset.focalKey === form().elements.focal_mm.value.trim()));
  }

  function showNow() {
    const zoom = part("[data-for-zoom]").hidden ? "" : form().elements.focal_mm.value.trim();
    const lens = [wordsOf("lens_id"), zoom && `${zoom} mm`].filter(Boolean).join(" ");
    const where = valueOf("setup_id") ? wordsOf("setup_id") : form().elements.distance_text.value.trim();
    const words = [lens, where && `at ${where}`].filter(Boolean).join(" ");
    part("[data-now]").textContent = words;
    part("[data-now-body]").textContent = wordsOf("body_id") && `on ${wordsOf("body_id")}, `;
    for (const bar of document.querySelectorAll("[data-pinned]")) bar.textContent = [words, field().value.trim()].filter(Boolean).join(": ");
  }

  function showChoices() {
    showSetups();
    const lens = chosen("lens_id");
    showFocals(lens);
    show(part("[data-for-anamorphic]"), Boolean(lens) && Boolean(lens.dataset.anamorphic));
    for (const offer of document.querySelectorAll("button[data-take-next]")) {
      offer.hidden = valueOf("body_id") === offer.dataset.bodyId && valueOf("lens_id") === offer.dataset.lensId
        && (!offer.dataset.focal || form().elements.focal_mm.value === offer.dataset.focal)
        && (valueOf("setup_id") ? valueOf("setup_id") === offer.dataset.setupId : form().elements.distance_text.value === offer.dataset.distanceText);
    }
    showNow();
    form().dispatchEvent(new CustomEvent("shimwise:chosen", { bubbles: true, detail: { scale: lens?.dataset.scale || "" } }));
  }

  function choose(name, value) {
    const input = part(`input[name="${name}"][value="${CSS.escape(value)}"]`);
    if (input && input.type === "radio") input.checked = true;
  }

  function intoSight() {
    const line = part(".chips.line[data-lenses]");
    const chip = line && line.querySelector("input:checked")?.closest("label");
    if (chip) line.scrollLeft = chip.offsetLeft - (line.clientWidth - chip.offsetWidth) / 2;
  }

  function takeNext(offer) {
    choose("body_id", offer.dataset.bodyId);
    choose("lens_id", offer.dataset.lensId);
    form().elements.focal_mm.value = offer.dataset.focal || "";
    showSetups();
    choose("setup_id", offer.dataset.setupId);
    if (!offer.dataset.setupId) form().elements.distance_text.value = offer.dataset.distanceText;
    clear();
    showChoices();
    intoSight();
  }

  // ---- many lenses: one line, and a search ----

  function find(words) {
    const chips = [...form().querySelectorAll("[data-lenses] .chip")];
    const parts = words.toLowerCase().split(/\s+/).filter(Boolean);
    for (const chip of chips) chip.hidden = !parts.every((one) => chip.textContent.toLowerCase().includes(one));
    const found = chips.filter((chip) => !chip.hidden);
    part("[data-none-found]").hidden = found.length > 0;
    return found;
  }

  document.body.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("[data-find-lens]")) return;
    event.preventDefault();
    const [first] = find(event.target.value);
    if (!first) return;
    first.querySelector("input").checked = true;
    event.target.value = "";
    find("");
    showChoices();
    intoSight();
    field().focus({ preventScroll: true });
  });

  // ---- the next lens at this set-up, where a reading waits on this device: as the server chooses it (next_reading) ----

  function advance() {
    const here = valueOf("setup_id") || form().elements.distance_text.value.trim();
    const mark = (focal) => (focal ? `${here}:${focal}` : here);
    const lenses = [...form().querySelectorAll("input[name=lens_id]")].filter((one) => one.type === "radio");
    const stops = lenses.flatMap((lens) => (focalsOf(lens).length > 1 ? focalsOf(lens) : [""]).map((focal) => ({ lens, focal })));
    const focal = part("[data-for-zoom]").hidden ? "" : form().elements.focal_mm.value.trim();
    const at = stops.findIndex((stop) => stop.lens.checked && (!stop.focal || stop.focal === focal));
    if (at < 0) return;
    stops[at].lens.dataset.read += ` ${mark(focal)}`;
    const after = [...stops.slice(at + 1), ...stops.slice(0, at)];
    const next = after.find((stop) => !stop.lens.dataset.read.split(" ").includes(mark(stop.focal)));
    if (!next) return;
    next.lens.checked = true;
    form().elements.focal_mm.value = next.focal;
    showChoices();
    intoSight();
  }
  document.body.addEventListener("shimwise:kept", () => {
    if (!form()) return;
    keepDraft();  // what is kept is no draft any more: after a reload it would be saved twice
    if (!field().value.trim()) advance();
  });

  // ---- what is typed outlives a look at another page ----

  const DRAFT = ["body_id", "lens_id", "setup_id", "distance_text", "focal_mm", "axis", "fnumber", "stop", "note", "reading_text"];
  const draftKey = () => `shimwise-draft-${form().dataset.prepId}`;

  function keepDraft() {
    const data = new FormData(form());
    try {
      if (!field().value.trim()) sessionStorage.removeItem(draftKey());
      else sessionStorage.setItem(draftKey(), JSON.stringify(Object.fromEntries(DRAFT.map((name) => [name, data.get(name) ?? ""]))));
    } catch { /* without storage it lasts as long as the page */ }
  }

  function takeDraft() {
    let draft = null;
    try {
      draft = JSON.parse(sessionStorage.getItem(draftKey()));
    } catch { /* none */ }
    if (!draft || field().value || location.search) return;
    for (const name of DRAFT) {
      const inputs = form().querySelectorAll(`[name="${name}"]`);
      for (const input of inputs) {
        if (input.type === "radio") input.checked = input.value === draft[name];
        else if (input.type !== "hidden") input.value = draft[name];
      }
    }
    typed();
  }

  // A name is asked for once, and known from the first save on; until then it is kept in this window.
  const NAME = "shimwise-name";
  const nameField = () => part('input[name="operator"]:not([type="hidden"])');
  function takeName() {
    try {
      if (nameField() && !nameField().value) nameField().value = sessionStorage.getItem(NAME) || "";
    } catch { /* none */ }
  }

  // ---- what a hand does ----

  document.body.addEventListener("click", (event) => {
    const button = event.target.closest("button, a[data-take-next]");
    if (!button || !form()) return;
    if (button.dataset.distanceKey) {
      form().elements.distance_text.value = button.dataset.distanceKey;
      typed();
    } else if (button.dataset.focalKey) {
      form().elements.focal_mm.value = button.dataset.focalKey;
      typed();
    } else if ("takeNext" in button.dataset) {
      event.preventDefault();
      takeNext(button);
      document.getElementById("entry").scrollIntoView({ block: "nearest" });
      return;
    } else if ("extra" in button.dataset) {
      const isOpen = part("#extra").classList.toggle("is-open");
      button.setAttribute("aria-expanded", String(isOpen));
      if (isOpen) part("#fnumber").focus();
      return;
    } else return;
    showChoices();
  });

  document.body.addEventListener("change", (event) => {
    if (!form() || !form().contains(event.target) || event.target === field()) return;
    let isNewLens = false;
    if (event.target.name === "lens_id") {
      form().elements.focal_mm.value = "";
      isNewLens = true;
      const search = part("[data-find-lens]");
      if (search && search.value) {
        search.value = "";
        find("");
        intoSight();
      }
    }
    showChoices();
    // What a zoom or an anamorphic is asked besides is brought into sight, where the choices scroll.
    if (event.target.name === "setup_id") part("[data-other-distance]:not([hidden])")?.scrollIntoView({ block: "nearest" });
    if (isNewLens) part("[data-for-zoom]:not([hidden]), [data-for-anamorphic]:not([hidden])")?.scrollIntoView({ block: "nearest" });
    typed();
    keepDraft();
  });

  document.body.addEventListener("input", (event) => {
    if (!form() || !form().contains(event.target)) return;
    if (event.target === nameField()) {
      try {
        sessionStorage.setItem(NAME, event.target.value);
      } catch { /* it is typed again */ }
    } else if (event.target.matches("[data-find-lens]")) find(event.target.value);
    else if (event.target.name === "distance_text" || event.target.name === "focal_mm") {
      typed();
      showChoices();
    } else showNow();
    keepDraft();
  });

  document.body.addEventListener("htmx:afterSwap", (event) => {
    if (!form()) return;
    if (event.detail.target.id === "read") {
      begin();
      keepDraft();
    } else if (event.detail.target.id === "verdict" || event.detail.target.id === "next") showChoices();
  });

  function begin() {
    showChoices();
    intoSight();
  }

  if (form()) {
    takeDraft();
    takeName();
    begin();
  }
})();
