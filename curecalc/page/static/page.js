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
    let running = null, next = null, timer = 0, pushed = 0, steps = 0;

    function mark(name) {
      document.body.dataset.state = name;
      document.querySelectorAll("[data-part]").forEach(function (part) {
        if (name === "") { part.removeAttribute("aria-busy"); } else { part.setAttribute("aria-busy", "true"); }
      });
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
      const made = document.createElement("template");
      made.innerHTML = text;
      made.content.querySelectorAll("[data-part]").forEach(function (part) {
        const old = document.getElementById(part.id);
        if (old) { old.replaceChildren(...part.childNodes); }
      });
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
    document.querySelectorAll("[data-print]").forEach(function (button) {
      button.addEventListener("click", function () { window.print(); });
    });
  });
}());
