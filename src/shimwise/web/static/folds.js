// On a phone the parts of a prep's page are folded (pages.css says where): a button opens one, and so does a link into it.
(() => {
  "use strict";

  function set(fold, isOpen) {
    fold.classList.toggle("is-open", isOpen);
    fold.querySelector(".fold-key").setAttribute("aria-expanded", String(isOpen));
    const picture = isOpen && fold.querySelector("[data-width-from]");
    if (picture) window.dispatchEvent(new Event("resize"));  // drawn as wide as it is shown now
  }

  function openAt(hash) {
    const target = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
    const fold = target && (target.closest(".fold") || target.querySelector(".fold"));
    if (!fold || fold.classList.contains("is-open")) return;
    set(fold, true);
    target.scrollIntoView({ block: "start" });
  }

  document.body.addEventListener("click", (event) => {
    const key = event.target.closest(".fold-key");
    if (key) set(key.closest(".fold"), key.getAttribute("aria-expanded") !== "true");
    const link = event.target.closest('a[href^="#"]');
    if (link) openAt(link.hash);
  });
  window.addEventListener("hashchange", () => openAt(location.hash));
  openAt(location.hash);

  // What is read, at the foot of a phone's page, is not needed beside the pad itself.
  const bar = document.querySelector(".to-pad");
  const entry = () => document.getElementById("entry");
  if (!bar || !window.IntersectionObserver) return;
  const watch = new IntersectionObserver(([seen]) => bar.classList.toggle("is-away", seen.isIntersecting), { threshold: 0.9, rootMargin: "0px 0px -140px 0px" });
  const look = () => entry() && watch.observe(entry().querySelector(".reading"));
  document.body.addEventListener("htmx:afterSwap", (event) => event.detail.target.id === "read" && look());
  bar.addEventListener("click", (event) => {
    if (!entry()) return;
    event.preventDefault();
    entry().scrollIntoView({ block: "end" });
    document.getElementById("reading_text").focus({ preventScroll: true });
  });
  look();
})();
