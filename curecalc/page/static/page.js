// Sliders in step with their fields; a form that redraws its parts and never leaves an old number unmarked; the value under the pointer.
"use strict";
(function () {
  const NUMBER = /^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\s+±]*)/;
  const SAID = {
    "": "", busy: "Being computed.", waiting: "Not finished: the results below are those of the last whole setting.",
    stale: "No answer from the program. The results below are not of the settings shown. It is asked again.",
  };

  // ---------------------------------------------------------------- sliders

  function read(slider, text) {
    const found = NUMBER.exec(text);
    if (!found) { return null; }
    const scales = JSON.parse(slider.dataset.scales);
    const unit = found[2].replace("µ", "u").replace("²", "^2");
    if (unit === "" && slider.dataset.unit === "") { return Number(found[1]); }
    return unit in scales ? Number(found[1]) * scales[unit] : null;
  }

  function ends(slider) { return [Number(slider.dataset.low), Number(slider.dataset.high)]; }

  function toPlace(slider, value) {
    const [low, high] = ends(slider);
    if (slider.dataset.whole === "yes") { return value; }
    if (slider.dataset.even === "yes") { return 1000 * (value - low) / (high - low); }
    return value > 0 ? 1000 * Math.log(value / low) / Math.log(high / low) : 0;
  }

  function toValue(slider) {
    if (slider.dataset.whole === "yes") { return Number(slider.value); }
    const [low, high] = ends(slider), share = Number(slider.value) / 1000;
    const value = slider.dataset.even === "yes" ? low + share * (high - low) : low * Math.pow(high / low, share);
    return slider.dataset.even === "yes" ? Number(value.toFixed(4)) : Number(value.toPrecision(3));
  }

  function say(slider, field) { slider.setAttribute("aria-valuetext", field.value || slider.value); }

  function follow(slider, field) {
    const value = read(slider, field.value);
    if (value !== null && Number.isFinite(value)) {
      slider.value = String(Math.max(Number(slider.min), Math.min(Number(slider.max), toPlace(slider, value))));
    }
    say(slider, field);
  }

  function connect(slider) {
    const field = document.getElementById(slider.dataset.for);
    if (!field) { return; }
    follow(slider, field);
    slider.addEventListener("input", function () {
      const spread = /(\+-|\+\/-|±).*$/.exec(field.value);
      const unit = slider.dataset.unit ? " " + slider.dataset.unit : "";
      field.value = toValue(slider) + unit + (spread ? " " + spread[0] : "");
      say(slider, field);
    });
    field.addEventListener("input", function () { follow(slider, field); });
  }

  function pattern() {
    const line = document.querySelector('input[name="pattern"][value="line"]');
    const spacing = document.querySelector('[data-field="hatch_spacing"]');
    const crossed = document.querySelector('input[name="crossed"]');
    if (line && spacing) { spacing.hidden = line.checked; }
    if (line && crossed) { crossed.disabled = line.checked; }
  }

  // ---------------------------------------------------------------- redrawing

  // what a change leaves behind at its field once the answer has come
  function marks() {
    document.querySelectorAll('.controls [aria-invalid="true"]').forEach(function (field) {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    });
    document.querySelectorAll(".controls .field .problem").forEach(function (text) { text.remove(); });
    document.querySelectorAll("#problems li").forEach(function (item) {
      const field = document.getElementById("f-" + item.dataset.field);
      if (field) {
        field.setAttribute("aria-invalid", "true");
        field.setAttribute("aria-describedby", item.id);
      }
    });
    document.querySelectorAll("a[data-carry]").forEach(function (link) {
      link.href = link.pathname + window.location.search;
    });
  }

  function live(form) {
    const state = document.getElementById("state"), undo = document.getElementById("undo");
    let running = null, next = null, timer = 0, seen = 0, pushed = 0, steps = 0;

    // said to machines at once, to eyes when it takes longer than they would notice
    function mark(name) {
      document.querySelectorAll("[data-part]").forEach(function (part) {
        if (name === "") { part.removeAttribute("aria-busy"); } else { part.setAttribute("aria-busy", "true"); }
      });
      if (name !== "busy") { window.clearTimeout(seen); seen = 0; show(name); }
      else if (seen === 0) { seen = window.setTimeout(show, 150, name); }
    }

    function show(name) {
      document.body.dataset.state = name;
      if (state && state.textContent !== SAID[name]) { state.textContent = SAID[name]; }
    }

    function address() {
      const query = new URLSearchParams(new FormData(form));
      return form.getAttribute("action") + "?" + query.toString();
    }

    function remember(where, finished) {
      const here = window.location.pathname + window.location.search;
      if (here === where) { return; }
      const now = Date.now();
      if (finished && now - pushed > 800) { window.history.pushState(null, "", where); pushed = now; steps += 1; }
      else { window.history.replaceState(null, "", where); }
      if (undo) { undo.disabled = steps === 0; }
    }

    function put(text) {
      const made = document.createElement("template"), held = document.activeElement ? document.activeElement.dataset.keep : "";
      made.innerHTML = text;
      made.content.querySelectorAll("[data-part]").forEach(function (part) {
        const old = document.getElementById(part.id);
        if (old) { old.replaceChildren(...part.childNodes); }
      });
      // what had the focus was redrawn too
      const again = held ? document.querySelector('[data-keep="' + held + '"]') : null;
      if (again && again !== document.activeElement) { again.focus({ preventScroll: true }); }
      marks();
    }

    // one request at a time, always for the newest state; a slow one is given up as soon as there is a newer
    function ask(finished) {
      window.clearTimeout(timer);
      mark("busy");
      next = { finished: finished || (next !== null && next.finished) };
      if (running !== null) {
        if (performance.now() - running.begun > 400) { running.stop.abort(); }
        return;
      }
      send();
    }

    async function send() {
      const mine = { where: address(), finished: next.finished, begun: performance.now(), stop: new AbortController() };
      const limit = window.setTimeout(function () { mine.stop.abort(); }, 15000);
      running = mine;
      next = null;
      let outcome = "stale";
      try {
        const answer = await fetch(mine.where, { headers: { "X-Part": "yes" }, signal: mine.stop.signal });
        const text = await answer.text();
        if (answer.ok) {
          const current = address() === mine.where;
          if (answer.headers.get("X-Problem") === "yes" && !mine.finished) { outcome = "waiting"; }
          else {
            put(text);
            remember(mine.where, mine.finished);
            outcome = current ? "" : "busy";
          }
        }
      } catch (error) { outcome = "stale"; }
      window.clearTimeout(limit);
      running = null;
      if (next !== null || outcome === "busy") {
        next = next || { finished: mine.finished };
        send();
        return;
      }
      mark(outcome);
      if (outcome === "") { document.dispatchEvent(new Event("redrawn")); }
      if (outcome === "stale") { timer = window.setTimeout(function () { ask(mine.finished); }, 2000); }
    }

    form.addEventListener("submit", function (event) { event.preventDefault(); ask(true); });
    form.addEventListener("change", function () { ask(true); });
    document.addEventListener("change", function (event) {
      if (event.target.form === form && !form.contains(event.target)) { ask(true); }
    });
    form.addEventListener("input", function (event) {
      const kind = event.target.type;
      if (kind === "checkbox" || kind === "radio" || event.target.tagName === "SELECT") { return; }
      if (kind === "range") { ask(true); return; }
      mark("busy");
      window.clearTimeout(timer);
      timer = window.setTimeout(function () { ask(false); }, 250);
    });
    if (undo) { undo.addEventListener("click", function () { steps -= 1; window.history.back(); }); }
    window.addEventListener("popstate", function () { window.location.reload(); });
  }

  // ---------------------------------------------------------------- a view that is moved and scaled

  // the map's drawing that holds an element, its axes, and millimetres for each pixel of the screen
  function view(element) {
    const holder = element.closest ? element.closest(".drawing[data-values]") : null, svg = holder ? holder.querySelector("svg") : null;
    if (!svg) { return null; }
    const axes = JSON.parse(svg.dataset.scale)[0], box = svg.getBoundingClientRect();
    const left = box.left + axes.left * box.width, top = box.top + axes.top * box.height;
    const scale = (axes.x.to - axes.x.from) / ((axes.right - axes.left) * box.width);
    return { holder: holder, axes: axes, scale: scale,
      place: function (event) { return [axes.x.from + (event.clientX - left) * scale, axes.y.to - (event.clientY - top) * scale]; } };
  }

  function look(x, y, across) {
    const to = { x: x, y: y, across: across };
    let field = null;
    for (const name of Object.keys(to)) {
      field = document.getElementById("f-" + name);
      if (!field) { return; }
      field.value = to[name] === null ? "" : Number(to[name].toPrecision(4)) + " mm";
    }
    field.dispatchEvent(new Event("change", { bubbles: true }));
  }

  function moves() {
    const KEYS = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "closer", "=": "closer", "-": "farther", "0": "whole" };
    let drag = null;
    function go(link) {
      const to = new URL(link.href).searchParams;
      look(...["x", "y", "across"].map(function (name) { return to.has(name) ? parseFloat(to.get(name)) : null; }));
    }

    document.addEventListener("click", function (event) {
      const link = event.target.closest ? event.target.closest("a[data-move]") : null;
      if (!link || event.button !== 0 || event.ctrlKey || event.metaKey || event.shiftKey) { return; }
      event.preventDefault();
      go(link);
    });
    document.addEventListener("keydown", function (event) {
      const here = view(document.activeElement), name = KEYS[event.key];
      if (!here || document.activeElement !== here.holder || !name || event.ctrlKey || event.metaKey || event.altKey) { return; }
      event.preventDefault();
      go(document.querySelector('a[data-move="' + name + '"]'));
    });
    document.addEventListener("wheel", function (event) {
      const here = view(event.target);
      if (!here || document.activeElement !== here.holder) { return; }
      event.preventDefault();
      const by = event.deltaY > 0 ? 1.25 : 0.8, at = here.place(event), x = here.axes.x, y = here.axes.y;
      const middle = [0.5 * (x.from + x.to), 0.5 * (y.from + y.to)];
      look(at[0] + (middle[0] - at[0]) * by, at[1] + (middle[1] - at[1]) * by, Math.max(0.1, (x.to - x.from) * by));
    }, { passive: false });
    document.addEventListener("pointerdown", function (event) {
      const here = view(event.target);
      if (!here || event.button !== 0) { return; }
      event.preventDefault();
      here.holder.focus({ preventScroll: true });
      const x = here.axes.x, y = here.axes.y;
      drag = { from: [event.clientX, event.clientY], middle: [0.5 * (x.from + x.to), 0.5 * (y.from + y.to)], across: x.to - x.from, scale: here.scale, moved: false };
    });
    document.addEventListener("pointermove", function (event) {
      if (!drag) { return; }
      const dx = event.clientX - drag.from[0], dy = event.clientY - drag.from[1];
      if (!drag.moved && Math.hypot(dx, dy) < 4) { return; }
      drag.moved = true;
      look(drag.middle[0] - dx * drag.scale, drag.middle[1] + dy * drag.scale, drag.across);
    });
    ["pointerup", "pointercancel"].forEach(function (name) { document.addEventListener(name, function () { drag = null; }); });
  }

  function overcure(holder, x, y) {
    const grid = JSON.parse(holder.dataset.values), row = grid.values[Math.round((y - grid.y) / grid.pixel)];
    const value = row ? row[Math.round((x - grid.x) / grid.pixel)] : undefined;
    const said = value === undefined ? "" : value === null ? ": nothing cures" : ": overcure " + value + " µm";
    return "x " + x.toFixed(3) + ", y " + y.toFixed(3) + " mm" + said + " (nearest of values " + Number(grid.pixel.toPrecision(2)) + " mm apart)";
  }

  // ---------------------------------------------------------------- the value under the pointer

  function along(axis, share) {
    if (axis.log) { return axis.from * Math.pow(axis.to / axis.from, share); }
    return axis.from + share * (axis.to - axis.from);
  }

  document.addEventListener("pointermove", function (event) {
    const drawing = event.target.closest ? event.target.closest("svg[data-scale]") : null;
    if (!drawing) { return; }
    const told = drawing.parentElement.querySelector(".under");
    const box = drawing.getBoundingClientRect(), x = (event.clientX - box.left) / box.width, y = (event.clientY - box.top) / box.height;
    const one = JSON.parse(drawing.dataset.scale).find(function (a) {
      return x >= a.left && x <= a.right && y >= a.top && y <= a.bottom;
    });
    if (!told) { return; }
    const map = view(drawing);
    if (map && one && one.x.label === map.axes.x.label) { told.textContent = overcure(map.holder, ...map.place(event)); return; }
    told.textContent = !one ? "" : one.x.label + " " + along(one.x, (x - one.left) / (one.right - one.left)).toPrecision(3) + ", " +
      one.y.label + " " + along(one.y, (one.bottom - y) / (one.bottom - one.top)).toPrecision(3);
  });

  window.addEventListener("beforeprint", function () {
    const place = document.getElementById("address"), table = document.getElementById("f-table"), whole = document.querySelector(".whole-table pre");
    if (place) { place.textContent = window.location.href; }
    if (table && whole) { whole.textContent = table.value; }
  });

  document.addEventListener("DOMContentLoaded", function () {
    document.querySelectorAll("input.slide").forEach(connect);
    document.addEventListener("change", pattern);
    pattern();
    document.querySelectorAll("form[data-live]").forEach(live);
    moves();
    document.querySelectorAll("[data-print]").forEach(function (button) {
      button.addEventListener("click", function () { window.print(); });
    });
  });
}());
