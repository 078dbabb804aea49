// Nothing typed is lost: a reading is kept in this browser before it is sent. Where the server or the network is
// away it waits here, is shown as waiting, and is sent once, in order, when the server answers again.
(() => {
  "use strict";
  if (window.shimwiseWaits) return;
  window.shimwiseWaits = true;

  const STORE = "readings";
  const FIELDS = ["body_id", "lens_id", "setup_id", "distance_text", "reading_text", "focal_mm", "fnumber", "axis", "operator", "stop", "note", "corrects", "reason"];
  const NUMBERS = ["focal_mm", "fnumber"];
  // What decides where a reading lands, as the page asks about it.
  const WHAT = ["body_id", "lens_id", "setup_id", "distance_text", "reading_text", "focal_mm", "fnumber", "axis"];
  const PATIENCE_MS = 15000;
  const FIRST_WAIT_MS = 1000;
  const LONGEST_WAIT_MS = 15000;
  const LEASE_MS = 20000;
  const LEASE_KEY = "shimwise-sending";
  const GONE = 0;
  const REFUSED_IN_FORM = 422;

  // ---- where readings are kept: IndexedDB, or localStorage where a browser has none (private windows) ----

  function asked(request) {
    return new Promise((done, failed) => {
      request.onsuccess = () => done(request.result);
      request.onerror = () => failed(request.error);
    });
  }

  async function openStore() {
    const opening = indexedDB.open("shimwise-waiting", 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore(STORE, { keyPath: "id" });
    const database = await asked(opening);
    database.onversionchange = () => database.close();
    const within = (mode, act) => new Promise((done, failed) => {
      const work = database.transaction(STORE, mode, { durability: "strict" });
      const request = act(work.objectStore(STORE));
      work.oncomplete = () => done(request.result);
      work.onabort = work.onerror = () => failed(work.error || request.error);
    });
    return {
      put: (kept) => within("readwrite", (store) => store.put(kept)),
      remove: (id) => within("readwrite", (store) => store.delete(id)),
      get: (id) => within("readonly", (store) => store.get(id)),
      all: async () => (await within("readonly", (store) => store.getAll())).sort((one, other) => one.order - other.order),
    };
  }

  const plainStore = {
    key: (id) => `shimwise-waiting-${id}`,
    async put(kept) { localStorage.setItem(this.key(kept.id), JSON.stringify(kept)); },
    async remove(id) { localStorage.removeItem(this.key(id)); },
    async get(id) { return JSON.parse(localStorage.getItem(this.key(id)) || "null") || undefined; },
    async all() {
      const keys = Object.keys(localStorage).filter((key) => key.startsWith(this.key("")));
      return keys.map((key) => JSON.parse(localStorage.getItem(key))).sort((one, other) => one.order - other.order);
    },
  };

  // Other windows show the same: each is told what was kept or sent.
  const windows = "BroadcastChannel" in window ? new BroadcastChannel("shimwise-waiting") : null;

  function heard(store) {
    const told = (act) => async (what) => {
      await act.call(store, what);
      windows?.postMessage({});
    };
    return { put: told(store.put), remove: told(store.remove), get: (id) => store.get(id), all: () => store.all() };
  }

  const store = openStore().catch(() => plainStore).then(heard);

  // ---- what is shown ----

  function words(kept) {
    const names = kept.shown;
    return [names.lens, names.distance && `at ${names.distance}`, `reads ${kept.fields.reading_text}`].filter(Boolean).join(" ");
  }

  function button(label, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "btn";
    made.textContent = label;
    made.addEventListener("click", act);
    return made;
  }

  function row(kept) {
    const item = document.createElement("li");
    item.dataset.waitingId = kept.id;
    item.dataset.state = kept.state;
    const text = document.createElement("p");
    const said = { refused: `Not taken: ${words(kept)}. ${kept.reason}`, asked: `Not saved yet: ${words(kept)}. ${kept.reason}` };
    text.textContent = said[kept.state] || [`Waiting: ${words(kept)}`, kept.reason].filter(Boolean).join(". ");
    item.append(text);
    if (kept.state === "waiting" && kept.reason) {
      const acts = document.createElement("div");
      acts.className = "acts";
      acts.append(button("Throw it away", () => discard(kept)));
      item.append(acts);
    }
    if (kept.state === "refused" || kept.state === "asked") {
      const acts = document.createElement("div");
      acts.className = "acts";
      if (kept.state === "asked") acts.append(button("It is right: save it", () => saveAsItIs(kept)));
      acts.append(button("Correct it", () => correct(kept)), button("Throw it away", () => discard(kept)));
      item.append(acts);
    }
    return item;
  }

  async function show() {
    const all = await (await store).all();
    const waiting = all.filter((kept) => kept.state === "waiting");
    const refused = all.filter((kept) => kept.state === "refused");
    const asked = all.filter((kept) => kept.state === "asked");
    const parts = [
      waiting.length && `${waiting.length} waiting`, asked.length && `${asked.length} to look at`, refused.length && `${refused.length} not taken`,
    ].filter(Boolean);
    for (const place of document.querySelectorAll("[data-waiting-count]")) {
      place.textContent = parts.join(", ");
      place.dataset.count = String(waiting.length + asked.length + refused.length);
    }
    // What asks for an answer about this prep stands at its pad, where the hand is; all else at the page's head.
    const here = document.querySelector("[data-waiting-here]");
    const prepId = here?.closest("form").dataset.prepId;
    const isHere = (kept) => kept.prepId === prepId && kept.state !== "waiting";
    const ordered = [...asked, ...refused, ...waiting];
    fill(document.querySelector("[data-waiting-list]"), ordered.filter((kept) => !isHere(kept)));
    if (here) fill(here, ordered.filter(isHere));
  }

  function fill(list, all) {
    list.replaceChildren(...all.map(row));
    list.hidden = !all.length;
  }

  function correct(kept) {
    const form = document.querySelector(`form[data-waiting-form][data-prep-id="${CSS.escape(kept.prepId)}"]`);
    if (!form) {
      location.assign(`/preps/${encodeURIComponent(kept.prepId)}`);
      return;
    }
    for (const [name, value] of Object.entries(kept.fields)) {
      const found = form.elements[name];
      if (!found || name === "operator" && found.type === "hidden") continue;
      if (found instanceof RadioNodeList) found.value = value;
      else if (found.type === "radio") found.checked = found.value === value;
      else found.value = value;
    }
    form.elements.id.value = window.shimwiseId();
    form.dataset.corrects = kept.id;
    const field = form.elements.reading_text;
    field.dispatchEvent(new Event("change", { bubbles: true }));
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.focus();
    field.select();
    form.scrollIntoView({ block: "nearest" });
  }

  // Somebody looked at the figure again: it goes as it is.
  async function saveAsItIs(kept) {
    await (await store).put({ ...kept, state: "waiting", reason: "", isSure: true });
    await show();
    sendSoon(0);
  }

  async function discard(kept) {
    if (!window.confirm(`Throw this reading away? ${words(kept)}`)) return;
    await (await store).remove(kept.id);
    await show();
  }

  // ---- keeping what a form says ----

  function labelOf(form, name) {
    const input = form.querySelector(`input[name="${name}"]:checked`);
    const label = input && input.value && input.closest("label");
    const text = label && label.querySelector("span");
    return text ? text.firstChild.textContent.trim() : "";
  }

  function fieldsOf(form) {
    const data = new FormData(form);
    const fields = {};
    for (const name of FIELDS) {
      const value = String(data.get(name) ?? "").trim();
      if (value) fields[name] = value;
    }
    if (fields.setup_id) delete fields.distance_text;
    return fields;
  }

  // Whether the page has asked about this very figure, and the answer was yes.
  function isSure(form) {
    const data = new FormData(form);
    return Boolean(data.get("sure")) && WHAT.map((name) => String(data.get(name) ?? "").trim()).join("|") === data.get("sure");
  }

  let lastOrder = 0;

  async function keep(form) {
    const fields = fieldsOf(form);
    const at = await store;
    const id = form.elements.id;
    const before = id.value && await at.get(id.value);
    // Sent twice it keeps its id; else the id is new, since a page that was kept may hold one of long ago.
    if (!before || JSON.stringify(before.fields) !== JSON.stringify(fields)) id.value = window.shimwiseId();
    lastOrder = Math.max(Date.now(), lastOrder + 1);
    const kept = {
      id: id.value,
      prepId: form.dataset.prepId,
      fields,
      shown: { lens: labelOf(form, "lens_id"), distance: labelOf(form, "setup_id") || fields.distance_text || "" },
      order: before && before.id === id.value ? before.order : lastOrder,
      state: "direct",
      reason: "",
      isSure: isSure(form),
    };
    await at.put(kept);
    if (form.dataset.corrects) {
      await at.remove(form.dataset.corrects);
      delete form.dataset.corrects;
    }
    return kept;
  }

  async function letWaitOrTell(form, kept) {
    if (form.isConnected && form.elements.id.value === kept.id && !canWait(form, kept.fields)) {
      await (await store).remove(kept.id);
      return;
    }
    await letWait(kept);
    makeReady(form, kept);
  }

  async function letWait(kept) {
    await (await store).put({ ...kept, state: "waiting" });
    await show();
    sendSoon(FIRST_WAIT_MS);
  }

  function noteOn(form, text, id) {
    let note = form.querySelector("[data-kept-note]");
    if (!note) {
      note = document.createElement("p");
      note.className = "saved";
      note.setAttribute("role", "status");
      (form.querySelector("#answer") || form).after(note);
      form.addEventListener("input", () => note.remove(), { once: true });
    }
    note.dataset.keptNote = id;
    note.textContent = text;
  }

  // "Kept" is said until it is sent; then what it lands at.
  function tellSent(kept, landing) {
    noteSent(kept, landing);
    windows?.postMessage({ kept, landing });
  }

  function noteSent(kept, landing) {
    const note = document.querySelector(`[data-kept-note="${CSS.escape(kept.id)}"]`);
    if (note && landing) note.textContent = `Sent: ${words(kept)}, lands ${landing}.`;
    else if (note) note.remove();
  }

  // Whether what is typed has the form of a reading: looked at by the pad, told there, where it is not.
  const canWait = (form, fields) => form.dispatchEvent(new CustomEvent("shimwise:check", { bubbles: true, cancelable: true, detail: fields }));

  // The form is ready for the next reading while this one waits.
  function makeReady(form, kept) {
    if (!form.isConnected || form.elements.id.value !== kept.id) return;
    form.elements.id.value = window.shimwiseId();
    // What was typed meanwhile is the next reading already.
    const field = form.elements.reading_text;
    if (field.value.trim() === (kept.fields.reading_text || "")) field.value = "";
    noteOn(form, `Kept on this device: ${words(kept)}. ${kept.reason || "It is sent when the server answers again."}`, kept.id);
    form.dispatchEvent(new CustomEvent("shimwise:kept", { bubbles: true, detail: { id: kept.id } }));
  }

  // ---- the page's own request, while the server is there ----

  const SIGN_IN = 401;
  const direct = new Map();  // the reading that is on its way, by its form
  let saving = Promise.resolve();

  document.addEventListener("htmx:confirm", (event) => {
    const form = event.detail.elt;
    if (!(form instanceof HTMLFormElement) || !form.hasAttribute("data-waiting-form")) return;
    event.preventDefault();
    // One after the other: a button pressed twice at once finds its reading kept already.
    saving = saving.then(() => save(form, event.detail.issueRequest)).catch(() => event.detail.issueRequest(true));
  });

  async function save(form, issueRequest) {
    if (!navigator.onLine && !canWait(form, fieldsOf(form))) return;
    const kept = await keep(form);
    if (direct.has(form) && direct.get(form).id === kept.id) return;
    const isBehind = (await (await store).all()).some((one) => one.state === "waiting" && one.id !== kept.id);
    if (isBehind || direct.has(form) || !navigator.onLine) {
      await letWaitOrTell(form, kept);
      return;
    }
    direct.set(form, kept);
    issueRequest(true);
  }

  document.addEventListener("htmx:configRequest", (event) => {
    if (direct.has(event.detail.elt)) {
      const kept = direct.get(event.detail.elt);
      event.detail.parameters.id = kept.id;
      event.detail.parameters.age_s = ageOf(kept);
      event.detail.timeout = PATIENCE_MS;
    }
  });

  // A 5xx is no answer to a reading: it waits, and the form stays as it is.
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (direct.has(event.detail.requestConfig.elt) && isAway(event.detail.xhr.status)) event.detail.shouldSwap = false;
  });

  document.addEventListener("htmx:afterRequest", async (event) => {
    const form = event.detail.requestConfig ? event.detail.requestConfig.elt : event.detail.elt;
    const kept = direct.get(form);
    if (!kept) return;
    direct.delete(form);
    const status = event.detail.xhr ? event.detail.xhr.status : GONE;
    if (isAway(status)) {
      await letWaitOrTell(form, status === SIGN_IN ? { ...kept, reason: "Sign in again: it is sent then." } : kept);
      return;
    }
    const at = await store;
    if (status >= 400 && status !== REFUSED_IN_FORM) {  // the form may be gone: the prep was closed meanwhile
      const reason = refusalIn(event.detail.xhr) || (status === 409 ? "The prep was closed or signed meanwhile." : `The server answered ${status}.`);
      await at.put({ ...kept, state: "refused", reason });
    } else {
      await at.remove(kept.id);  // taken, or refused in the form before the person's eyes
    }
    await show();
  });

  // Why a page that is the answer says no.
  function refusalIn(answer) {
    const said = new DOMParser().parseFromString(answer.responseText, "text/html").querySelector("[role=alert]");
    return said ? said.textContent.trim() : "";
  }

  // ---- sending what waits ----

  // How long ago it was read, in seconds: true though this device's clock is wrong.
  const ageOf = (kept) => Math.max(0, Date.now() - kept.order) / 1000;

  // No answer, a server in trouble, a device that is to be paired again, or too many at once: none says no.
  function isAway(status) {
    return status === GONE || status >= 500 || status === 401 || status === 408 || status === 425 || status === 429;
  }

  function bodyOf(kept) {
    const body = { id: kept.id, age_s: ageOf(kept), asks: !kept.isSure, ...kept.fields };
    for (const name of NUMBERS) {
      if (name in body) {
        const value = Number(body[name].replace(",", "."));
        body[name] = Number.isFinite(value) ? value : body[name];
      }
    }
    return body;
  }

  async function send(kept) {
    let answer;
    try {
      answer = await fetch(`/api/v1/preps/${encodeURIComponent(kept.prepId)}/readings`, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json" },
        body: JSON.stringify(bodyOf(kept)),
        credentials: "same-origin",
        redirect: "error",
        signal: AbortSignal.timeout(PATIENCE_MS),
      });
    } catch {
      return false;
    }
    const at = await store;
    if (answer.ok) {
      await at.remove(kept.id);
      tellSent(kept, (await answer.json().catch(() => ({}))).reading?.landing_words);
      return true;
    }
    if (isAway(answer.status)) return false;
    const problem = await answer.json().catch(() => ({}));
    if (answer.status === MAY_NOT) {  // another person has signed in meanwhile: it waits for who may keep it
      await at.put({ ...kept, reason: `${problem.detail || ""} It waits until ${kept.fields.operator || "who read it"} signs in here, or a technician.`.trim() });
      held.add(kept.id);
      return true;
    }
    tellSent(kept, "");
    const state = problem.notices?.some((one) => one.code === "landing_beyond") ? "asked" : "refused";
    await at.put({ ...kept, state, reason: problem.detail || problem.title || `The server answered ${answer.status}.` });
    return true;
  }

  // One window sends at a time, so that the order holds.
  async function alone(act) {
    if (navigator.locks) {
      return navigator.locks.request(LEASE_KEY, { ifAvailable: true }, async (lock) => (lock ? act() : false));
    }
    if (Number(localStorage.getItem(LEASE_KEY)) > Date.now()) return false;
    try {
      localStorage.setItem(LEASE_KEY, String(Date.now() + LEASE_MS));
      return await act();
    } finally {
      localStorage.removeItem(LEASE_KEY);
    }
  }

  const MAY_NOT = 403;
  const held = new Set();  // what the one who has signed in may not send, in this round
  let wait = FIRST_WAIT_MS;
  let timer = 0;

  function sendSoon(after) {
    window.clearTimeout(timer);
    timer = window.setTimeout(sendAll, after);
  }

  async function sendAll() {
    window.clearTimeout(timer);
    const gone = new Set();
    held.clear();
    const isEmpty = await alone(async () => {
      for (;;) {
        const next = (await (await store).all()).find((kept) => kept.state === "waiting" && !held.has(kept.id));
        if (!next) return true;
        if ([...direct.values()].some((one) => Date.now() - one.order < 2 * PATIENCE_MS)) return false;  // goes first
        if (!await send(next)) return false;
        gone.add(next.prepId);
        await show();
      }
    });
    for (const prepId of gone) refresh(prepId);
    const isWaiting = (await (await store).all()).some((kept) => kept.state === "waiting");
    if (isEmpty || !isWaiting) {
      wait = FIRST_WAIT_MS;
      return;
    }
    sendSoon(wait);
    wait = Math.min(2 * wait, LONGEST_WAIT_MS);
  }

  function refresh(prepId) {
    const place = document.querySelector(`[data-prep-id="${CSS.escape(prepId)}"]:not(form)`);
    if (!place || !window.htmx) return;
    for (const region of place.querySelectorAll("[data-live]")) window.htmx.trigger(region, "shimwise:refresh");
  }

  // ---- begin ----

  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id === "read") show();
  });

  async function begin() {
    const at = await store;
    for (const kept of await at.all()) {
      // The page went away while this one was on its way: whether it arrived is not known, and sending twice is safe.
      if (kept.state === "direct") await at.put({ ...kept, state: "waiting" });
    }
    await show();
    await sendAll();
  }

  windows?.addEventListener("message", (event) => {
    if (event.data.kept) noteSent(event.data.kept, event.data.landing);
    else show();
  });
  window.addEventListener("online", () => {
    wait = FIRST_WAIT_MS;
    sendSoon(0);
  });
  document.addEventListener("shimwise:back", () => sendSoon(0));
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") sendSoon(0);
  });
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => false);
  if ("serviceWorker" in navigator && window.isSecureContext) {
    navigator.serviceWorker.register("/worker.js", { scope: "/" }).catch(() => { /* the page works without */ });
  }
  begin();
})();
