// A form that sends what a passkey answers: data-options holds what the site asks, data-passkey whether one is made or used.

const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (one) => one.charCodeAt(0));
const text = (buffer) =>
  btoa(String.fromCharCode(...new Uint8Array(buffer))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

const named = (keys) => (keys ?? []).map((key) => ({ ...key, id: bytes(key.id) }));

async function made(asked) {
  const user = { ...asked.user, id: bytes(asked.user.id) };
  const excludeCredentials = named(asked.excludeCredentials);
  return navigator.credentials.create({ publicKey: { ...asked, challenge: bytes(asked.challenge), user, excludeCredentials } });
}

async function used(asked) {
  const allowCredentials = named(asked.allowCredentials);
  return navigator.credentials.get({ publicKey: { ...asked, challenge: bytes(asked.challenge), allowCredentials } });
}

function sent(key) {
  const response = {};
  for (const name of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
    if (key.response[name]) response[name] = text(key.response[name]);
  }
  const clientExtensionResults = key.getClientExtensionResults();
  return { id: key.id, rawId: text(key.rawId), type: key.type, response, clientExtensionResults };
}

for (const form of document.querySelectorAll("form[data-passkey]")) {
  const problem = form.querySelector("[role=alert][hidden]");
  form.addEventListener("submit", async (event) => {
    const box = form.elements.namedItem("credential");
    event.preventDefault();
    problem.hidden = true;
    try {
      const asked = JSON.parse(form.dataset.options).publicKey;
      box.value = JSON.stringify(sent(await (form.dataset.passkey === "make" ? made(asked) : used(asked))));
      form.submit();
    } catch {
      box.value = "";
      problem.textContent = form.dataset.failed;
      problem.hidden = false;
    }
  });
}
