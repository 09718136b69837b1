/* Times offered: a press on one of the board below chooses it; left and right go to the same time of another day; up and down are the browser's. The date of the
   whole job is said for the day that is chosen. New times may come while one is being chosen: the choice is kept, or said to be lost. */
(() => {
  const steps = { ArrowLeft: -1, ArrowRight: 1 };
  let chosen = "";

  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.target.id === "windows") chosen = document.querySelector(".offer-grid input:checked")?.id ?? "";
  });

  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id !== "windows") return;
    if (!document.querySelector(".offer-grid")) document.getElementById("offer-board")?.replaceChildren(); // drawn for what was asked before
    if (!chosen) return;
    const box = document.getElementById(chosen);
    if (box) box.checked = true;
    else document.querySelector(".choice-lost")?.removeAttribute("hidden");
  });

  document.addEventListener("change", (event) => {
    const day = event.target.closest?.(".offer-day[data-said]");
    const said = document.querySelector(".said strong");
    if (day && said && event.target.name === "window") said.textContent = day.dataset.said;
  });

  document.addEventListener("click", (event) => {
    const ghost = event.target.closest?.(".offer-board .proposed");
    const box = ghost && document.getElementById(ghost.getAttribute("href").slice(1));
    if (!box) return;
    event.preventDefault();
    box.checked = true;
    box.focus();
    box.dispatchEvent(new Event("change", { bubbles: true }));
  });

  document.addEventListener("keydown", (event) => {
    const box = event.target.closest?.(".offer-grid input[type=radio]");
    const step = steps[event.key];
    if (!box || !step) return;
    event.preventDefault();
    const day = box.closest(".offer-day");
    const row = [...day.children].indexOf(box.closest(".offer"));
    const days = [...day.parentElement.querySelectorAll(".offer-day")];
    for (let at = days.indexOf(day) + step; at >= 0 && at < days.length; at += step) {
      const other = days[at].children[row].querySelector("input");
      if (other && other.offsetParent) {
        other.checked = true;
        other.focus();
        other.dispatchEvent(new Event("change", { bubbles: true }));
        return;
      }
    }
  });
})();
