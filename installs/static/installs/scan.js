// Labels read by the camera, where the browser itself can: a code goes to `found` and the next may follow.
const PAUSE_MS = 200;
const SAME_AGAIN_MS = 2500; // a label still before the camera is not a second one

export const CAN_SCAN = "BarcodeDetector" in window && Boolean(navigator.mediaDevices?.getUserMedia);

/** One tap begins, the next one ends; `say` tells why there is no picture. */
export function scanner({ button, video, found, say }) {
  let stream = null;

  function stop() {
    for (const track of stream ? stream.getTracks() : []) track.stop();
    stream = null;
    video.hidden = true;
    button.textContent = "Scan labels";
  }

  async function look(detector) {
    let last = "";
    let seenAt = 0;
    while (stream && video.isConnected) {
      const codes = await detector.detect(video).catch(() => []);
      const text = codes.length ? codes[0].rawValue : "";
      if (text && (text !== last || Date.now() - seenAt > SAME_AGAIN_MS)) {
        navigator.vibrate?.(60);
        await found(text);
      }
      if (text) [last, seenAt] = [text, Date.now()];
      await new Promise((done) => setTimeout(done, PAUSE_MS));
    }
    stop();
  }

  button.addEventListener("click", async () => {
    if (stream) return stop();
    try {
      const known = await BarcodeDetector.getSupportedFormats();
      const formats = ["qr_code", "code_128"].filter((one) => known.includes(one));
      if (!formats.length) return say("This phone's browser reads no QR codes: type the code on the label.", true);
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      video.srcObject = stream;
      video.hidden = false;
      button.textContent = "Stop scanning";
      await video.play();
      look(new BarcodeDetector({ formats }));
    } catch (error) {
      stop();
      say(`No picture from the camera (${error.message}): type the code on the label.`, true);
    }
  });
}
