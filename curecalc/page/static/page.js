// Sliders and their number fields keep each other in step; everything else is plain HTML and htmx.
"use strict";
(function () {
  const NUMBER = /^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\s+±]*)/;

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
      const share = /(\+-|±)\s*[\d.]+\s*%/.exec(field.value);
      const unit = slider.dataset.unit ? " " + slider.dataset.unit : "";
      field.value = toValue(slider) + unit + (share ? " " + share[0] : "");
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

  document.addEventListener("DOMContentLoaded", function () {
    document.querySelectorAll("input.slide").forEach(connect);
    document.addEventListener("change", pattern);
    pattern();
    document.addEventListener("htmx:after:swap", marks);
  });
}());
