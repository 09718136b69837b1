// Moving blocks on the board, and visits from the tray onto it, by pointer or keys; what it costs and breaks is
// shown before letting go.
"use strict";

(() => {
  const bench = document.getElementById("bench");
  const status = document.getElementById("board-status");
  if (!bench || !status) return;
  const root = JSON.parse(document.body.getAttribute("hx-headers") || "{}");
  let held = null; // the block in hand: {block, by, lane, minutes, dx}; one from the tray has a ghost on the board
  let asking = 0;
  let timer = 0;

  const svg = () => bench.querySelector("svg");
  const lanes = () => [...svg().querySelectorAll(".lane")];
  const pageOf = (block) => block.dataset.page || block.getAttribute("href");

  function point(event) {
    const place = svg().createSVGPoint();
    place.x = event.clientX;
    place.y = event.clientY;
    return place.matrixTransform(svg().getScreenCTM().inverse());
  }

  function laneAt(x, y) {
    return lanes().find((lane) => {
      const { top, left, wide, high } = lane.dataset;
      return y >= +top && y < +top + +high && x >= +left && x < +left + +wide;
    });
  }

  function startOf(lane, x) {
    const { left, wide, minutes, begin } = lane.dataset;
    const snap = Number(svg().dataset.snap);
    const raw = ((x - left) / wide) * minutes;
    const snapped = Math.max(0, Math.min(Math.round(raw / snap) * snap, minutes - snap));
    return { minutes: snapped, at: new Date(new Date(begin).getTime() + snapped * 60000) };
  }

  function xOf(lane, minutes) {
    return +lane.dataset.left + (minutes / lane.dataset.minutes) * lane.dataset.wide;
  }

  function put(lane, minutes) {
    held.lane = lane;
    held.minutes = minutes;
    if (held.ghost) drawGhost(lane, minutes);
    else {
      const dx = xOf(lane, minutes) - +held.block.dataset.x;
      const dy = +lane.dataset.top - +held.from.dataset.top;
      held.block.setAttribute("transform", `translate(${dx} ${dy})`);
    }
    held.at = new Date(new Date(lane.dataset.begin).getTime() + minutes * 60000);
    ask();
  }

  function drawGhost(lane, minutes) {
    const high = Math.min(38, lane.dataset.high - 8);
    const wide = (held.block.dataset.minutes / lane.dataset.minutes) * lane.dataset.wide;
    const box = { x: xOf(lane, minutes), y: +lane.dataset.top + +lane.dataset.high - high - 8, width: wide, height: high };
    for (const [name, value] of Object.entries(box)) held.ghost.setAttribute(name, value);
    svg().append(held.ghost);
  }

  function clock(when) {
    return when.toLocaleTimeString("en-US", { hour: "numeric", minute: "2-digit", timeZone: bench.dataset.zone }).toLowerCase();
  }

  function say(parts, wrong, buttons = []) {
    const box = document.createElement("div");
    if (wrong) box.className = "wrong";
    for (const [words, look] of parts) {
      const line = document.createElement("span");
      line.textContent = words;
      if (look) line.className = look;
      box.append(line);
    }
    for (const [words, action] of buttons) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.addEventListener("click", action);
      box.append(button);
    }
    status.replaceChildren(box);
  }

  function ask() {
    clearTimeout(timer);
    const { block, lane, at } = held;
    const where = `${block.dataset.number} to ${lane.dataset.name}, ${clock(at)}`;
    say([[where], ["…"]], false);
    const number = ++asking;
    timer = setTimeout(async () => {
      const query = new URLSearchParams({ crew: lane.dataset.crew, starts_at: at.toISOString() });
      const answer = await fetch(`${pageOf(block)}effect/?${query}`, { headers: { Accept: "application/json" } });
      if (number !== asking || !held) return;
      const effect = await answer.json();
      held.effect = effect;
      show(where, effect);
    }, 90);
  }

  function show(where, effect) {
    if (effect.stops && effect.stops.length) {
      say([[where], [effect.stops[0]]], true);
      return;
    }
    const parts = [[where], [effect.cost, "price"], [`${effect.driving} driving`]];
    if (effect.harm) parts.push([effect.is_risky ? `risky: ${effect.harm}` : effect.harm]);
    for (const line of effect.broken) parts.push([`breaks a promise: ${line}`]);
    for (const line of effect.checks) parts.push([line]);
    if (effect.pushed.length) parts.push([`later: ${effect.pushed.map((one) => one.job).join(", ")}`]);
    say(parts, effect.broken.length > 0);
  }

  function pickUp(block, by, dx = 0) {
    if (block.matches(".tray-visit")) {
      const ghost = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      ghost.setAttribute("class", "ghost");
      held = { block, by, from: null, lane: null, minutes: null, dx: 0, moved: false, ghost };
      block.classList.add("moving");
      return;
    }
    const lane = block.closest(".lane");
    const minutes = (new Date(block.dataset.start) - new Date(lane.dataset.begin)) / 60000;
    held = { block, by, from: lane, lane, minutes, dx, moved: false, at: new Date(block.dataset.start) };
    block.classList.add("moving");
  }

  // Where a visit from the tray is put down first: when the first crew of the board that works begins, or from now.
  function firstFree() {
    const lane = lanes().find((one) => +one.dataset.opens > 0) || lanes()[0];
    const { begin, minutes, opens } = lane.dataset;
    const snap = Number(svg().dataset.snap);
    const now = Math.ceil((Date.now() - new Date(begin)) / 60000 / snap) * snap;
    return [lane, now > 0 && now < +minutes ? Math.max(now, +opens) : +opens];
  }

  function leave() {
    if (!held) return;
    held.block.classList.remove("moving");
    held.block.removeAttribute("transform");
    held.ghost?.remove();
    held = null;
    asking++;
    clearTimeout(timer);
  }

  function send(url, values) {
    return fetch(url, {
      method: "POST",
      headers: { ...root, Accept: "application/json", "Content-Type": "application/x-www-form-urlencoded" },
      body: new URLSearchParams(values),
    });
  }

  function localParts(at) {
    const parts = new Intl.DateTimeFormat("en-CA", { timeZone: bench.dataset.zone, year: "numeric", month: "2-digit",
      day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).formatToParts(at);
    const get = (type) => parts.find((part) => part.type === type).value;
    return { day: `${get("year")}-${get("month")}-${get("day")}`, time: `${get("hour")}:${get("minute")}` };
  }

  async function letGo(anyway) {
    const { block, lane, at } = held;
    const moved = lane && (lane !== held.from || at.getTime() !== new Date(block.dataset.start).getTime());
    if (!moved) { leave(); status.replaceChildren(); return; }
    clearTimeout(timer);
    asking++;
    const values = { crew: lane.dataset.crew, ...localParts(at), version: block.dataset.version };
    if (anyway) values.anyway = "on";
    const answer = await send(`${pageOf(block)}move/`, values);
    const reply = await answer.json().catch(() => ({ text: "It did not work; load the page anew." }));
    if (answer.ok) {
      const { pk } = block.dataset;
      const page = pageOf(block);
      held = null;
      await reload(pk);
      say([[reply.text]], false, [["Undo", () => undo(page, pk)]]);
    } else if (reply.field === "anyway" && !anyway) {
      const kept = held;
      say([[reply.text]], true, [
        ["Move it anyway", () => { held = kept; letGo(true); }],
        ["Leave it", () => { held = kept; leave(); status.replaceChildren(); }],
      ]);
      status.querySelector("button").focus();
    } else {
      leave();
      say([[reply.text]], true);
    }
  }

  async function undo(page, pk) {
    await send(`${page}undo/`, {});
    await reload(pk);
    say([["The move is taken back."]], false);
  }

  async function reload(pk) {
    const answer = await fetch(bench.dataset.here, { headers: { "HX-Request": "true", "HX-Target": "board" } });
    const drawn = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of ["board", "tray"]) document.getElementById(part).replaceWith(drawn.getElementById(part));
    bench.querySelector(`.block[data-pk="${pk}"]`)?.focus({ preventScroll: true });
  }

  // -- pointer ---------------------------------------------------------------------------

  bench.addEventListener("pointerdown", (event) => {
    const block = event.target.closest(".block[data-movable], .tray-visit");
    if (!block || event.button !== 0 || (held && held.by === "keys")) return;
    if (held) leave();
    pickUp(block, "pointer", point(event).x - block.dataset.x);
    held.x = event.clientX;
    held.y = event.clientY;
  });

  bench.addEventListener("pointermove", (event) => {
    if (!held || held.by !== "pointer" || held.dropped) return;
    if (!held.moved && Math.hypot(event.clientX - held.x, event.clientY - held.y) < 5) return;
    if (!held.moved) {
      held.moved = true;
      bench.setPointerCapture(event.pointerId);
    }
    const at = point(event);
    const lane = laneAt(at.x, at.y) || (held.ghost ? null : held.lane);
    if (!lane) {
      held.ghost.remove();
      held.lane = null;
      asking++;
      clearTimeout(timer);
      say([[`${held.block.dataset.number} in hand: let it go over a crew's lane.`]], false);
      return;
    }
    const { minutes } = startOf(lane, at.x - held.dx);
    if (lane !== held.lane || minutes !== held.minutes) put(lane, minutes);
  });

  bench.addEventListener("pointerup", () => {
    if (!held || held.by !== "pointer" || held.dropped) return;
    if (!held.moved) { leave(); return; }
    held.dropped = true;
    letGo(false);
  });

  bench.addEventListener("pointercancel", leave);
  // A block in hand is no link: the click that ends a drag, and Enter on it, go nowhere.
  bench.addEventListener("click", (event) => {
    if (held) event.preventDefault();
  }, true);
  bench.addEventListener("dragstart", (event) => event.preventDefault());

  // -- keys ------------------------------------------------------------------------------

  bench.addEventListener("keydown", (event) => {
    const block = event.target.closest(".block[data-movable], .block[data-locked], .tray-visit");
    if (!held && block && event.key.toLowerCase() === "m") {
      if ("locked" in block.dataset) {
        say([[`${block.dataset.number} is locked to its crew and time: unlock it on its page first.`]], true);
        return;
      }
      pickUp(block, "keys");
      say([[`${block.dataset.number} in hand: arrows move it, Enter puts it down, Escape leaves it.`]], false);
      if (held.ghost) put(...firstFree());
      event.preventDefault();
      return;
    }
    if (!held || held.by !== "keys") return;
    const snap = Number(svg().dataset.snap);
    const all = lanes();
    const row = (lane, step) => {
      const same = all.filter((one) => one.dataset.day === lane.dataset.day);
      return same[same.indexOf(lane) + step];
    };
    if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
      const step = event.key === "ArrowRight" ? snap : -snap;
      let lane = held.lane;
      let minutes = Math.round((held.minutes + step) / snap) * snap;
      if (minutes < 0 || minutes >= +lane.dataset.minutes) {
        const days = all.filter((one) => one.dataset.crew === lane.dataset.crew);
        const next = days[days.indexOf(lane) + Math.sign(step)];
        if (!next) { event.preventDefault(); return; }
        lane = next;
        minutes = step > 0 ? 0 : +next.dataset.minutes - snap;
      }
      put(lane, minutes);
    } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      const lane = row(held.lane, event.key === "ArrowDown" ? 1 : -1);
      if (lane) put(lane, held.minutes);
    } else if (event.key === "Enter" || event.key === " ") {
      letGo(false);
    } else if (event.key === "Escape") {
      leave();
      say([["Left where it was."]], false);
    } else {
      return;
    }
    event.preventDefault();
  });
})();
