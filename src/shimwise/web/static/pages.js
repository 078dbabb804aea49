// What every page shares: pictures are asked for as wide as they are shown, and failures are told in words.
(() => {
  "use strict";
  document.body.classList.add("has-script");

  const STEP_PX = 20;
  const LEAST_PX = 300;
  const MOST_PX = 900;

  function widthOf(element) {
    const width = Math.floor(element.clientWidth / STEP_PX) * STEP_PX;
    return Math.min(Math.max(width, LEAST_PX), MOST_PX);
  }

  const asked = new WeakMap();
  document.body.addEventListener("htmx:configRequest", (event) => {
    if (event.detail.elt.hasAttribute("data-width-from")) {
      const width = widthOf(event.detail.elt);
      asked.set(event.detail.elt, width);
      event.detail.parameters.append ? event.detail.parameters.append("width", width) : (event.detail.parameters.width = width);
    }
  });
  // Only what has come is shown: a picture whose request failed is asked for again.
  document.body.addEventListener("htmx:afterSwap", (event) => {
    const target = event.detail.target;
    if (asked.has(target) && event.detail.requestConfig.elt === target) target.dataset.widthShown = String(asked.get(target));
  });

  // Where what had the focus is gone, what came in its place has it: Tab goes on there, not at the page's foot.
  document.body.addEventListener("htmx:afterSwap", (event) => {
    const place = event.detail.target;
    if (place.hasAttribute("tabindex") && document.activeElement === document.body) place.focus({ preventScroll: true });
  });

  // A name that was tapped is followed by its PIN; arrow keys go on from name to name.
  document.body.addEventListener("click", (event) => {
    const isTapped = event.detail > 0 && event.target.closest("label")?.querySelector("input[name=person]");
    if (isTapped) window.setTimeout(() => document.getElementById("pin")?.focus());
  });

  let resized = 0;
  function fitPictures() {
    window.clearTimeout(resized);
    resized = window.setTimeout(() => {
      for (const picture of document.querySelectorAll("[data-width-from]")) {
        if (picture.dataset.widthShown && picture.dataset.widthShown !== String(widthOf(picture))) {
          picture.dispatchEvent(new CustomEvent("shimwise:width"));
        }
      }
    }, 250);
  }
  window.addEventListener("resize", fitPictures);
  document.addEventListener("shimwise:back", fitPictures);

  // A request that failed says so where the person is looking; what was typed stays.
  function tell(words) {
    let note = document.getElementById("told-failure");
    if (!note) {
      note = document.createElement("div");
      note.id = "told-failure";
      note.className = "told-failure";
      note.setAttribute("role", "alert");
      document.body.append(note);
    }
    const text = document.createElement("p");
    text.textContent = words;
    const close = document.createElement("button");
    close.type = "button";
    close.className = "btn";
    close.textContent = "Understood";
    close.addEventListener("click", () => note.remove());
    note.replaceChildren(text, close);
  }

  document.body.addEventListener("htmx:sendError", (event) => {
    if (event.detail.elt.closest("[data-waiting-form], [data-live], #answer") || event.detail.elt.id === "reading_text") {
      return; // readings wait by themselves; pictures come back with the next change
    }
    tell("The server does not answer. Check the network, then try again; what you typed is still here.");
  });
  document.body.addEventListener("htmx:responseError", (event) => {
    if (event.detail.elt.closest("[data-live]")) {
      return;
    }
    tell("The server could not do that. Try again; what you typed is still here.");
  });

  // What a field lacks is said at the field, and the page goes there: a browser's own bubble may lie under a bar.
  function lacks(field) {
    const id = `${field.id || field.name}-wrong`;
    let words = document.getElementById(id);
    if (!words) {
      words = document.createElement("p");
      words.id = id;
      words.className = "wrong";
      (field.closest(".chips, .with-unit") || field).after(words);
    }
    const usual = { file: "Choose the files here first.", radio: "This is missing: choose one." };
    words.textContent = field.dataset.missing || usual[field.type] || "This is missing: type it here.";
    if (field.type !== "radio") field.setAttribute("aria-invalid", "true");
    const described = field.getAttribute("aria-describedby") || "";
    if (!described.split(" ").includes(id)) field.setAttribute("aria-describedby", `${described} ${id}`.trim());
    (field.closest(".chips") || field).addEventListener("input", () => {
      words.remove();
      field.removeAttribute("aria-invalid");
    }, { once: true });
  }
  function goTo(field) {
    for (let fold = field.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    field.focus({ preventScroll: true });
    field.scrollIntoView({ block: "center" });
  }
  // A page that comes back with a refusal shows the first field of it.
  const refused = document.querySelector("main .page [aria-invalid=true], main .page fieldset:has(> .wrong) input");
  if (refused) goTo(refused);

  let isTold = false;
  document.addEventListener("invalid", (event) => {
    if (!event.target.validity.valueMissing) return;
    event.preventDefault();
    lacks(event.target);
    if (isTold) return;  // the first that lacks something is gone to
    isTold = true;
    window.setTimeout(() => { isTold = false; });
    goTo(event.target);
  }, true);

  // Progress of an upload, and its cancel button.
  document.body.addEventListener("htmx:xhr:progress", (event) => {
    const bar = event.detail.elt.querySelector("progress[data-upload]");
    if (bar && event.detail.lengthComputable) {
      bar.hidden = false;
      bar.max = event.detail.total;
      bar.value = event.detail.loaded;
    }
  });
  document.body.addEventListener("click", (event) => {
    const cancel = event.target.closest("[data-cancel-upload]");
    if (cancel && window.htmx) {
      window.htmx.trigger(cancel.closest("form"), "htmx:abort");
    }
    const menu = document.querySelector("details.menu[open]");
    if (menu && !menu.contains(event.target)) {
      menu.open = false;
    }
  });
  document.addEventListener("keydown", (event) => {
    const menu = document.querySelector("details.menu[open]");
    if (event.key === "Escape" && menu) {
      menu.open = false;
      menu.querySelector("summary").focus();
    }
  });

  // A form of questions answers while it is filled in.
  document.body.addEventListener("htmx:beforeRequest", (event) => {
    const busy = event.detail.elt.querySelector ? event.detail.elt.querySelector("[data-busy]") : null;
    if (busy) {
      busy.hidden = false;
    }
  });
})();
