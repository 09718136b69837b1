// The part that is open beside the drawing is lit in it, with its dimension.
"use strict";

(() => {
  const light = () => {
    const open = new Set([...document.querySelectorAll("details[data-part][open]")].map((one) => one.dataset.part));
    for (const mark of document.querySelectorAll("#example [data-part]")) mark.classList.toggle("lit", open.has(mark.dataset.part));
  };
  document.addEventListener("toggle", light, true); // it does not bubble
  document.addEventListener("htmx:afterSwap", light);
  light();
})();
