// At the door: the phone's own place, once its owner allows it, into the form that sends it.
"use strict";

for (const form of document.querySelectorAll("form[data-here]")) {
  if (!navigator.geolocation) continue;
  form.hidden = false;
  const said = form.querySelector("[role=status]");
  form.addEventListener("submit", (event) => {
    if (form.elements.latitude.value) return;
    event.preventDefault();
    said.textContent = "Looking for this phone's place…";
    navigator.geolocation.getCurrentPosition(({ coords }) => {
      form.elements.latitude.value = coords.latitude;
      form.elements.longitude.value = coords.longitude;
      form.elements.accuracy_m.value = Math.round(coords.accuracy);
      form.submit();
    }, () => { said.textContent = "This phone did not say where it is. Nothing was sent."; },
    { enableHighAccuracy: true, timeout: 20_000, maximumAge: 0 });
  });
}
