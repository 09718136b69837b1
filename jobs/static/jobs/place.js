// A click on the sketch writes the coordinates into their box.
"use strict";

document.addEventListener("click", (event) => {
  const sketch = event.target.closest(".sketch");
  if (!sketch) return;
  const svg = sketch.querySelector("svg");
  const box = svg.getBoundingClientRect();
  const { lon, lat, pxKm, squeeze, km, wide, high, target } = sketch.dataset;
  const x = ((event.clientX - box.left) / box.width) * wide;
  const y = ((event.clientY - box.top) / box.height) * high;
  const east = (x - wide / 2) / pxKm;
  const north = (high / 2 - y) / pxKm;
  const latitude = Number(lat) + north / km;
  const longitude = Number(lon) + east / (km * squeeze);
  const field = document.getElementById(target);
  field.value = `${latitude.toFixed(5)}, ${longitude.toFixed(5)}`;
  field.dispatchEvent(new Event("change", { bubbles: true }));
  let mark = svg.querySelector(".picked");
  if (!mark) {
    mark = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    mark.setAttribute("class", "chalk picked");
    mark.setAttribute("fill", "none");
    mark.setAttribute("r", "7");
    svg.append(mark);
  }
  mark.setAttribute("cx", x);
  mark.setAttribute("cy", y);
});
