// Scans labels on the load page where the browser can; elsewhere any camera app opens the label's own page.
"use strict";

(() => {
  const PAUSE_MS = 250;
  let stream = null;

  function parts() {
    const form = document.querySelector("[data-scan]");
    return form && {
      form,
      button: form.querySelector("[data-camera]"),
      video: form.querySelector("[data-viewfinder]"),
      input: form.querySelector("#code"),
    };
  }

  function offer() {
    const here = parts();
    if (here && "BarcodeDetector" in window && navigator.mediaDevices) here.button.hidden = false;
  }

  function stop() {
    for (const track of stream ? stream.getTracks() : []) track.stop();
    stream = null;
  }

  async function look(here, detector) {
    let last = "";
    while (stream && here.video.isConnected) {
      const found = await detector.detect(here.video).catch(() => []);
      const text = found.length ? found[0].rawValue : "";
      if (text && text !== last) {
        last = text;
        here.input.value = text;
        here.form.requestSubmit();
        break;
      }
      await new Promise((done) => setTimeout(done, PAUSE_MS));
    }
    stop();
    if (here.video.isConnected) here.video.hidden = true;
  }

  document.addEventListener("click", async (event) => {
    if (!event.target.closest("[data-camera]")) return;
    const here = parts();
    if (stream) return stop();
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    } catch {
      return;
    }
    here.video.hidden = false;
    here.video.srcObject = stream;
    await here.video.play();
    look(here, new BarcodeDetector({ formats: ["qr_code", "code_128"] }));
  });

  document.addEventListener("htmx:afterSwap", () => {
    offer();
    const field = document.getElementById("code");
    if (field) field.value = field.value || "";
  });
  offer();
})();
