// Ids that a client makes: a random UUID as 32 hexadecimal digits. What is sent twice under one id is kept once.
(() => {
  "use strict";
  if (window.shimwiseId) return;

  window.shimwiseId = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  };

  // A form gets its id where it is shown, and not with the page: one that was kept may hold an id of long ago.
  function fill() {
    for (const field of document.querySelectorAll("input[data-new-id]")) field.value ||= window.shimwiseId();
  }
  document.addEventListener("htmx:afterSwap", fill);
  fill();
})();
