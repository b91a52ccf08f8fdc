(function () {
  "use strict";
  var record = JSON.parse(document.getElementById("record").textContent);
  var tilts = record.tilts;
  var links = Array.from(document.querySelectorAll("#strip a"));
  var stage = document.getElementById("stage-picture");
  var words = document.getElementById("stage-words");
  var titles = {};
  record.checks.forEach(function (check) { titles[check.id] = check.title; });
  var current = -1;

  function number(value, decimals) {
    return value === null || value === undefined ? "not measured" : value.toFixed(decimals);
  }

  function line(text) {
    var span = document.createElement("span");
    span.textContent = text;
    words.appendChild(span);
  }

  function tell(tilt, at) {
    words.textContent = "";
    var angle = document.createElement("b");
    angle.textContent = (tilt.tilt_deg > 0.05 ? "+" : "") + tilt.tilt_deg.toFixed(1).replace(/^-0\.0$/, "0.0") + "°";
    words.appendChild(angle);
    line("tilt " + (at + 1) + " of " + tilts.length + ", recorded as number " + (tilt.order + 1));
    if (tilt.exclude) { line("Left out"); }
    line("Mean counts " + number(tilt.counts.mean, 0) + ", from " + number(tilt.counts.min, 0) + " to " + number(tilt.counts.max, 0));
    if (tilt.sharpness.relative !== null) { line("Fine detail " + number(tilt.sharpness.relative, 2) + " of what the neighbours predict"); }
    if (tilt.sharpness.blur_direction_deg !== null) { line("Smeared along " + number(tilt.sharpness.blur_direction_deg, 0) + "°"); }
    if (tilt.focus && tilt.focus.measured) { line("Underfocus " + number(tilt.focus.defocus_um, 2) + " ± " + number(tilt.focus.error_um, 2) + " µm, astigmatism " + number(tilt.focus.astigmatism_um, 2) + " µm"); }
    if (tilt.counts.dark_area_fraction > 0.001) { line("Dark: " + number(100 * tilt.counts.dark_area_fraction, 1) + " % of the frame"); }
    if (tilt.tracking && tilt.tracking.shift_x_px !== null) {
      line("Field found at x " + number(tilt.tracking.shift_x_px, 1) + ", y " + number(tilt.tracking.shift_y_px, 1) + " px; step " + number(tilt.tracking.step_px, 1) + " px");
      if (tilt.tracking.shared_area_fraction !== null) { line("Common to all tilts so far: " + number(100 * tilt.tracking.shared_area_fraction, 0) + " %"); }
    }
    if (tilt.dose.after_e_per_A2 !== null) { line("Dose received " + number(tilt.dose.after_e_per_A2, 1) + " e/Å²"); }
    tilt.flags.forEach(function (flag) { line("Flag: " + (titles[flag] || flag)); });
  }

  // The seams of a tilt on its picture: solid where they fit, dashed beyond the first limit, double beyond the second,
  // dotted where they are not measured; the residual beside each.
  function drawSeams(tilt, link) {
    var pane = document.getElementById("stage-seams");
    pane.textContent = "";
    pane.toggleAttribute("hidden", !tilt.seams || !tilt.seams.length || !link.dataset.places);
    if (!tilt.seams || !link.dataset.places) { return; }
    var img = link.querySelector("img");
    var scale = +link.dataset.scale, origin = link.dataset.origin.split(" ").map(Number);
    var places = link.dataset.places.split(";").filter(Boolean).map(function (text) { return text.split(" ").map(Number); });
    var width = record.series.width_px, height = record.series.height_px;
    pane.setAttribute("viewBox", "0 0 " + img.getAttribute("width") + " " + img.getAttribute("height"));
    var limits = record.checks.filter(function (check) { return check.id === "seam_residual"; })[0] || {};
    function element(name, values, text) {
      var made = document.createElementNS("http://www.w3.org/2000/svg", name);
      Object.keys(values).forEach(function (key) { made.setAttribute(key, values[key]); });
      if (text) { made.textContent = text; }
      pane.appendChild(made);
    }
    tilt.seams.forEach(function (seam) {
      function place(tile) {
        var at = tilt.tiles.findIndex(function (t) { return t.col === tile[0] && t.row === tile[1]; });
        return places[at];
      }
      var a = place(seam.from), b = place(seam.to);
      if (!a || !b) { return; }
      var beside = seam.to[0] > seam.from[0];
      var low = [Math.max(a[0], b[0]), Math.max(a[1], b[1])];
      var high = [Math.min(a[0], b[0]) + width, Math.min(a[1], b[1]) + height];
      var middle = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
      var ends = beside ? [[middle[0], low[1]], [middle[0], high[1]]] : [[low[0], middle[1]], [high[0], middle[1]]];
      ends = ends.concat([middle]).map(function (p) { return [(p[0] - origin[0]) / scale, (p[1] - origin[1]) / scale]; });
      var residual = seam.residual_rms_px;
      var grade = residual === null ? "none" : residual > limits.fail ? "fail" : residual > limits.caution ? "caution" : "good";
      var line = { x1: ends[0][0], y1: ends[0][1], x2: ends[1][0], y2: ends[1][1] };
      element("line", Object.assign({ "class": "edge" }, line));
      element("line", Object.assign({ "class": grade }, line));
      element("text", { x: ends[2][0] + 4, y: ends[2][1] - 5 }, residual === null ? "not measured" : residual.toFixed(2) + " px");
    });
  }

  function mark(deg) {
    document.querySelectorAll("svg.plot[data-left]").forEach(function (plot) {
      var left = +plot.dataset.left, right = +plot.dataset.right, min = +plot.dataset.min, max = +plot.dataset.max;
      var x = left + (right - left) * (deg - min) / (max - min);
      var marker = plot.querySelector(".marker");
      if (!marker) {
        marker = document.createElementNS("http://www.w3.org/2000/svg", "line");
        marker.setAttribute("class", "marker");
        marker.setAttribute("y1", "8");
        marker.setAttribute("y2", String(plot.viewBox.baseVal.height - 52));
        plot.appendChild(marker);
      }
      marker.setAttribute("x1", x);
      marker.setAttribute("x2", x);
    });
  }

  function choose(at, keep) {
    if (at < 0 || at >= tilts.length || at === current) { return; }
    current = at;
    links.forEach(function (link, i) {
      if (i === at) { link.setAttribute("aria-current", "true"); } else { link.removeAttribute("aria-current"); }
      document.getElementById("row-" + i).classList.toggle("here", i === at);
    });
    var small = links[at].querySelector("img");
    stage.hidden = !small;
    if (small) { stage.src = small.src; stage.alt = small.alt; }
    var strip = document.getElementById("strip");
    strip.scrollLeft = links[at].offsetLeft - strip.offsetLeft - (strip.clientWidth - links[at].clientWidth) / 2;
    tell(tilts[at], at);
    drawSeams(tilts[at], links[at]);
    mark(tilts[at].tilt_deg);
    if (!keep) { history.replaceState(null, "", "#tilt-" + at); }
  }

  function fromAddress() {
    var found = /^#tilt-(\d+)$/.exec(location.hash);
    return found && +found[1] < tilts.length ? +found[1] : -1;
  }

  document.addEventListener("click", function (event) {
    var link = event.target.closest("a[data-tilt]");
    if (!link) { return; }
    event.preventDefault();
    choose(+link.dataset.tilt);
    if (!link.closest("#strip")) { document.getElementById("viewer").scrollIntoView({ block: "nearest" }); }
  });

  document.addEventListener("keydown", function (event) {
    if (event.altKey || event.ctrlKey || event.metaKey || /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName)) { return; }
    var to = { ArrowRight: current + 1, ArrowLeft: current - 1, Home: 0, End: tilts.length - 1 }[event.key];
    if (to === undefined || ((event.key === "Home" || event.key === "End") && !event.target.closest("#viewer"))) { return; }
    event.preventDefault();
    choose(Math.max(0, Math.min(tilts.length - 1, to)));
  });

  window.addEventListener("hashchange", function () { choose(fromAddress()); });

  var save = document.getElementById("save");
  save.hidden = false;
  save.addEventListener("click", function () {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([JSON.stringify(record, null, 2) + "\n"], { type: "application/json" }));
    link.download = record.series.series_id + "-record.json";
    link.click();
    URL.revokeObjectURL(link.href);
  });

  var first = fromAddress();
  if (first < 0) {
    first = 0;
    tilts.forEach(function (tilt, i) { if (Math.abs(tilt.tilt_deg) < Math.abs(tilts[first].tilt_deg)) { first = i; } });
  }
  choose(first, true);
})();
