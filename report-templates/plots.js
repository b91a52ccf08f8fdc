// Over the plots: the chosen tilt as a line, the one under the pointer as another, their values in words above. The drawings
// themselves stay as they are.

var plots = [];

function laid(svg, name) {
  var made = document.createElementNS("http://www.w3.org/2000/svg", "g");
  made.setAttribute("class", "laid");
  var line = document.createElementNS("http://www.w3.org/2000/svg", "line");
  line.setAttribute("class", name);
  line.setAttribute("visibility", "hidden");
  made.appendChild(line);
  svg.appendChild(made);
  return line;
}

// Over an axis of angles, a tilt lies at its place along it; in the fan, at its spoke.
function axisOf(svg) {
  if (svg.dataset.fan) {
    var fan = svg.dataset.fan.split(" ").map(Number);
    return {
      ends: function (deg) {
        var r = deg * Math.PI / 180;
        return [fan[0] + 0.12 * fan[2] * Math.sin(r), fan[1] - 0.12 * fan[2] * Math.cos(r), fan[0] + 1.06 * fan[2] * Math.sin(r), fan[1] - 1.06 * fan[2] * Math.cos(r)];
      },
      deg: function (x, y) { return Math.atan2(x - fan[0], fan[1] - y) * 180 / Math.PI; }
    };
  }
  var left = +svg.dataset.left, right = +svg.dataset.right, min = +svg.dataset.min, max = +svg.dataset.max;
  var bottom = svg.viewBox.baseVal.height - 52;
  return {
    ends: function (deg) {
      var x = left + (right - left) * (deg - min) / (max - min);
      return [x, 8, x, bottom];
    },
    deg: function (x) { return min + (max - min) * (x - left) / (right - left); }
  };
}

function put(line, ends) {
  ["x1", "y1", "x2", "y2"].forEach(function (name, at) { line.setAttribute(name, ends[at]); });
  line.setAttribute("visibility", "visible");
}

function nearest(deg) {
  var best = 0;
  tilts.forEach(function (tilt, at) { if (Math.abs(tilt.tilt_deg - deg) < Math.abs(tilts[best].tilt_deg - deg)) { best = at; } });
  return best;
}

function tellAbove(plot, at) {
  var tilt = tilts[at];
  plot.told.textContent = "";
  var head = document.createElement("b");
  head.textContent = angle(tilt.tilt_deg);
  plot.told.appendChild(head);
  var parts = plot.names.reduce(function (all, name) { return all.concat(FIGURES[name](tilt)); }, []).map(function (one) {
    return one.name + " " + (one.text === null ? w.script.not_measured + (one.why ? " (" + say(one.why) + ")" : "") : one.text);
  });
  if (tilt.exclude) { parts.unshift(w.script.left_out); }
  plot.told.appendChild(document.createTextNode(" " + parts.join(" · ")));
}

document.querySelectorAll("svg.plot[data-left], svg.plot[data-fan]").forEach(function (svg) {
  var box = svg.closest("figure");
  var told = document.createElement("p");
  told.className = "readout";
  (svg.closest(".scroll") || svg).before(told);
  var names = (box.dataset.figures || "").split(" ").filter(function (name) { return FIGURES[name]; });
  var plot = { svg: svg, axis: axisOf(svg), told: told, names: names, marker: laid(svg, "marker"), over: laid(svg, "over") };
  function under(event) {
    var seen = svg.getBoundingClientRect(), size = svg.viewBox.baseVal;
    return nearest(plot.axis.deg((event.clientX - seen.left) / seen.width * size.width, (event.clientY - seen.top) / seen.height * size.height));
  }
  svg.addEventListener("pointermove", function (event) {
    var at = under(event);
    put(plot.over, plot.axis.ends(tilts[at].tilt_deg));
    tellAbove(plot, at);
  });
  svg.addEventListener("pointerleave", function () {
    plot.over.setAttribute("visibility", "hidden");
    tellAbove(plot, view.at);
  });
  svg.addEventListener("click", function (event) { choose(under(event)); });
  plots.push(plot);
});

function plotsFollow(at) {
  plots.forEach(function (plot) {
    put(plot.marker, plot.axis.ends(tilts[at].tilt_deg));
    tellAbove(plot, at);
  });
}
