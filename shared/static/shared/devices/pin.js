/*
 * The PIN of whose day this phone keeps, where the branch asks for one. It is asked before a field page is seen, also
 * without signal and without a session, and again after some minutes away. The phone keeps its hash, the office nothing.
 */
const AWAY_MS = 300000, SEEN_MS = 20000;
const FREE_TRIES = 5, WAIT_MS = 60000, MOST_WAIT_MS = 3600000;
const ROUNDS = 300000;
const SHAPE = /^\d{4,8}$/;

const asks = document.querySelector("meta[name=phone-pin]");
const { name, session, signOut } = asks.dataset;
const KEPT = `jambwise pin ${asks.content}`, SEEN = `jambwise seen ${asks.content}`;

const kept = () => JSON.parse(localStorage.getItem(KEPT) ?? "null");
const keep = (pin) => localStorage.setItem(KEPT, JSON.stringify(pin));
const seen = () => sessionStorage.setItem(SEEN, String(Date.now()));
const hex = (bytes) => [...new Uint8Array(bytes)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
const isOpen = () => document.documentElement.classList.contains("is-open");

async function hashOf(typed, salt) {
  const key = await crypto.subtle.importKey("raw", new TextEncoder().encode(typed), "PBKDF2", false, ["deriveBits"]);
  return hex(await crypto.subtle.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt: new TextEncoder().encode(salt), iterations: ROUNDS }, key, 256));
}

/** Opens what was typed, or says why not. */
async function tried(typed) {
  const pin = kept(), left = Math.ceil(((pin.until ?? 0) - Date.now()) / 60000);
  if (left > 0) return `Too many wrong PINs: again in ${left} min.`;
  if (!SHAPE.test(typed)) return "The PIN has 4 to 8 digits.";
  if ((await hashOf(typed, pin.salt)) === pin.hash) {
    keep({ ...pin, session: session ?? pin.session, wrong: 0, until: 0 });
    return "";
  }
  const wrong = (pin.wrong ?? 0) + 1, over = wrong - FREE_TRIES;
  keep({ ...pin, wrong, until: over < 0 ? 0 : Date.now() + Math.min(WAIT_MS * 2 ** over, MOST_WAIT_MS) });
  return over < 0 ? `Not the PIN of ${name} on this phone. Tries before a wait: ${-over}.` : tried(typed);
}

async function chosen(typed, again) {
  if (!SHAPE.test(typed)) return "The PIN has 4 to 8 digits.";
  if (typed !== again) return "The two are not the same.";
  const salt = hex(crypto.getRandomValues(new Uint8Array(16)));
  keep({ salt, hash: await hashOf(typed, salt), session, wrong: 0, until: 0 });
  return "";
}

function made(tag, attributes, ...children) {
  const one = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  one.append(...children);
  return one;
}

const box = (id, label) => made("div", { class: "field needed" }, made("label", { for: id }, label),
  made("input", { id, type: "password", inputmode: "numeric", autocomplete: "off", maxlength: "8", required: "", "aria-describedby": "pin-said" }));

function open(dialog) {
  seen();
  document.documentElement.classList.add("is-open");
  dialog?.remove();
}

/** Shows what is asked for; the page behind it can be neither seen nor tapped. */
function ask(isNew) {
  document.documentElement.classList.remove("is-open");
  document.querySelector("dialog.pin")?.remove();
  const said = made("p", { class: "error", id: "pin-said", role: "alert" });
  const form = made("form", { method: "dialog", novalidate: "" }, made("h2", {}, isNew ? "Choose a PIN for this phone" : `PIN of ${name}`),
    box("pin", isNew ? "4 to 8 digits" : "PIN"), isNew ? box("pin-again", "once more") : "", said, made("button", { class: "action" }, isNew ? "Keep it" : "Open"));
  const dialog = made("dialog", { class: "pin", "aria-label": "PIN of this phone" }, form);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const [typed, again] = ["pin", "pin-again"].map((id) => form.querySelector(`#${id}`)?.value ?? "");
    said.textContent = isNew ? await chosen(typed, again) : await tried(typed);
    if (!said.textContent) return open(dialog);
    form.reset();
    form.querySelector("input").focus();
  });
  if (!isNew && session && kept().session !== session) { // whoever is here has given their password since
    const other = made("button", { type: "button" }, "Choose another");
    other.addEventListener("click", () => ask(true));
    dialog.append(made("p", {}, "Forgotten? ", other));
  } else if (!isNew) {
    const token = JSON.parse(document.body.getAttribute("hx-headers") ?? "{}")["X-CSRFToken"] ?? "";
    const out = made("form", { method: "post", action: signOut }, made("input", { type: "hidden", name: "csrfmiddlewaretoken", value: token }), made("button", {}, "Sign out"));
    dialog.append(made("p", { class: "help" }, "Forgotten? With signal, sign out and in again, and choose another. What this phone keeps stays, and is sent."), out);
  }
  dialog.addEventListener("cancel", (event) => event.preventDefault());
  dialog.addEventListener("close", () => isOpen() || ask(isNew)); // no key closes it
  document.body.append(dialog);
  dialog.showModal();
}

function look() {
  const isAway = Date.now() - Number(sessionStorage.getItem(SEEN) ?? 0) > AWAY_MS;
  if (kept() ? !isAway : !session) open(); // none was chosen, and nobody who could choose one has signed in
  else if (!document.querySelector("dialog.pin")) ask(!kept());
}

if (crypto.subtle) {
  look();
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") look();
    else if (isOpen()) seen();
  });
  setInterval(() => document.visibilityState === "visible" && isOpen() && seen(), SEEN_MS);
} else open(); // without TLS no page is kept, and no hash can be made
