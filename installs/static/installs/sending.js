// What the pages of the day share: the line that says what waits, taps held until they are kept, the fresh page.

const SENT_WITHIN_MS = 4000;
let underway = 0; // taps that are not on the disk yet

export const isUnderway = () => underway > 0;

export function say(text, isError = false) {
  const line = document.querySelector("[data-waiting]");
  line.hidden = !text;
  line.textContent = text;
  line.classList.toggle("error", isError);
}

/** Does a tap's work; until it is done, no fresh page comes under it. */
export async function hold(work) {
  underway += 1;
  try {
    return await work();
  } finally {
    underway -= 1;
  }
}

/** Whether the office answered a deed soon, taken or refused; false without signal. */
export async function gone(field, deed) {
  const until = Date.now() + SENT_WITHIN_MS;
  while (Date.now() < until) {
    if (!field.waiting.some((one) => one.id === deed.id)) return true;
    if (!navigator.onLine) return false;
    await new Promise((done) => setTimeout(done, 60));
  }
  return false;
}

/** Leave this page for a fresh one: never under a tap, and no tap lands on what is on its way out. */
export function anew(address = "") {
  if (underway) return; // that tap's own answer brings the fresh page
  document.body.inert = true;
  if (address) location.assign(address);
  else location.reload();
}

window.addEventListener("pageshow", () => { document.body.inert = false; });
