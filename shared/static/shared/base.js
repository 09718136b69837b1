// What every page needs beside htmx: errors of a request said where messages stand, no double sends.
"use strict";

function say(words) {
  const place = document.getElementById("messages");
  if (!place) return;
  const line = document.createElement("p");
  line.className = "message error";
  line.textContent = words;
  place.replaceChildren(line);
}

const NOT_SENT = "No connection: nothing was sent. Try again.";
if (location.hash === "#not-sent") {
  history.replaceState(history.state, "", location.pathname + location.search);
  window.addEventListener("DOMContentLoaded", () => say(NOT_SENT));
}

document.addEventListener("htmx:sendError", () => say(NOT_SENT));
document.addEventListener("htmx:responseError", (event) => {
  const status = event.detail.xhr.status;
  if (status === 401 || status === 403) say("You are signed out, or this is not for your role. Load the page anew.");
  else if (status >= 500) say("Something broke on our side; nothing was changed.");
});

// A form that answers 422 comes back with its errors: show it.
document.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.xhr.status === 422) {
    event.detail.shouldSwap = true;
    event.detail.isError = false;
  }
});

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.hasAttribute("hx-post") || form.method !== "post" || event.defaultPrevented) return;
  if (form.dataset.sent) event.preventDefault();
  form.dataset.sent = "yes";
});
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});

// The key / leads to the box that finds anything, unless somebody is typing; a phone has no keys to speak of.
if (matchMedia("(any-pointer: fine)").matches) for (const box of document.querySelectorAll(".find input")) box.placeholder = "Find: key /";
document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input, select, textarea, [contenteditable]")) return;
  const box = document.querySelector(".find input");
  if (!box) return;
  event.preventDefault();
  box.focus();
  box.select();
});
