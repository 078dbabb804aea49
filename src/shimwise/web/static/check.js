// Whether what is typed has the form of a reading, looked at before it waits without the server, which has the last
// word: lengths (2' 11 1/2", 914 mm, INF), on, short by 1/4".
(() => {
  "use strict";

  const UNIT_WORDS = /^(?:ft|foot|feet|ins?|inch|inches|(?:centi|milli)?met(?:re|er)s?|m|cm|mm|and)$/;
  const SIGNS = "'’‘‛′‵`´ʹʼ\"“”‟„‶″ʺ˝㎜㎝";
  const LENGTH = new RegExp(`^[0-9０-９½⅓⅔¼¾⅕-⅞⅐-⅒.][0-9０-９½⅓⅔¼¾⅕-⅞⅐-⅒\\s.,/⁄∕${SIGNS}a-z‐‑‒–—-]*$`);
  const HAS_UNIT = new RegExp(`[a-z${SIGNS}]|^[0-9]+\\s*[-‐‑‒–—]\\s*[0-9]`);

  function isLength(text) {
    const plain = text.trim().toLowerCase();
    if (/^(?:inf|infinity)\.?$|^∞$/.test(plain)) return true;
    return LENGTH.test(plain) && HAS_UNIT.test(plain) && (plain.match(/[a-z]+/g) || []).every((word) => UNIT_WORDS.test(word));
  }

  function isReading(text) {
    if (/^on(?:\s+the\s+mark)?\.?$/i.test(text.trim())) return true;
    const offset = /^(?:short|deep)(?:\s+by)?\b\s*(.*)$/is.exec(text.trim());
    return isLength(offset ? offset[1] : text);
  }

  function say(place, words, id = "") {
    const line = document.createElement("p");
    line.className = "wrong";
    line.id = id;
    line.textContent = words;
    place.replaceChildren(line);
  }

  function go(input) {
    input.setAttribute("aria-invalid", "true");
    input.focus({ preventScroll: true });
    input.scrollIntoView({ block: "nearest" });
  }

  const refusal = (typed, what, example) => (typed ? `“${typed}” is no length. Type ${what}, such as ${example}.` : `Type ${what}, such as ${example}.`);

  document.body.addEventListener("shimwise:check", (event) => {
    const form = event.target;
    const fields = event.detail;
    const reading = fields.reading_text || "";
    const distance = fields.distance_text || "";
    if (!isReading(reading)) {
      event.preventDefault();
      say(document.getElementById("answer"), refusal(reading, "where the scale stands", form.elements.reading_text.placeholder));
      go(form.elements.reading_text);
    } else if (!fields.setup_id && !isLength(distance)) {
      event.preventDefault();
      const words = refusal(distance, "the taped distance", form.elements.distance_text.placeholder);
      say(form.querySelector("[data-told-of=distance_text]"), words, "distance_text-wrong");
      go(form.elements.distance_text);
    } else if (!fields.operator) {
      event.preventDefault();
      form.elements.operator.value = "";
      form.reportValidity();
    }
  });
})();
