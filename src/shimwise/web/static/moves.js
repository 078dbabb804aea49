// A sweep without sweep.json: says beside the form which frame lies where, before anything is sent.
(() => {
  "use strict";

  const PICTURE = /\.(png|tiff?|jpe?g|dng|exr)$/i;
  const UNIT = { sensor: " µm", ring: " mm", chart: " mm", screw: " turns" };

  function byNumber(one, other) {
    return one.localeCompare(other, "en", { numeric: true });
  }

  function shown(form) {
    const files = [...form.elements.files.files].map((file) => file.name);
    if (files.includes("sweep.json")) return "sweep.json is among the files: it says where each frame lies.";
    const names = files.filter((name) => PICTURE.test(name)).sort(byNumber);
    if (!names.length) return "";
    const many = `${names.length} frames, ${names[0]} first and ${names[names.length - 1]} last`;
    const number = (field) => Number(field.value.trim().replace("−", "-").replace(",", ".") || NaN);
    const first = number(form.elements.first), step = number(form.elements.step);
    if (!Number.isFinite(first) || !Number.isFinite(step)) return `${many}.`;
    const at = (place) => {
      const value = String(+(first + place * step).toFixed(6)).replace("-", "−");
      return `${names[place]} at ${value}${UNIT[form.elements.moved.value]}`;
    };
    const places = [...new Set([0, 1, names.length - 1].filter((place) => place < names.length))];
    return `${names.length} frames: ${places.map(at).join(", ")}.`;
  }

  function show(event) {
    const form = event.target.form;
    const words = form && form.querySelector("[data-sweep-shown]");
    if (words) words.textContent = shown(form);
  }

  document.addEventListener("input", show);
  document.addEventListener("change", show);
})();
