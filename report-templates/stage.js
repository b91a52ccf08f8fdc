// The picture of the chosen tilt: seams over it, zoom and pan, flicker against a neighbour, playing through.

var links = Array.from(document.querySelectorAll("#strip a"));
var stage = {
  frame: document.getElementById("window"), pane: document.getElementById("pane"), seams: document.getElementById("stage-seams"),
  picture: document.getElementById("stage-picture"), none: document.getElementById("stage-none"), shown: document.getElementById("stage-shown"),
  zoom: 1, x: 0.5, y: 0.5, at: -1, beside: 0, timer: 0
};
var MOST_ZOOM = 12, FLICKER_MS = 450;

function thumb(at) { return links[at] && links[at].querySelector("img"); }

function show(at) {
  var small = thumb(at);
  stage.picture.hidden = !small;
  stage.none.hidden = !!small;
  if (small) {
    stage.picture.src = small.src;
    stage.picture.alt = small.alt;
  }
}

// Lays the picture into its window: all of it, or magnified about a place.
function layOut() {
  var small = thumb(stage.at), frame = stage.frame;
  if (!small || !frame.clientWidth) { return; }
  var width = +small.getAttribute("width"), height = +small.getAttribute("height");
  var fit = Math.min(frame.clientWidth / width, frame.clientHeight / height);
  var scale = fit * stage.zoom;
  function within(place, size, room) {
    var half = Math.min(0.5, 0.5 * room / (size * scale));
    return Math.min(1 - half, Math.max(half, place));
  }
  stage.x = within(stage.x, width, frame.clientWidth);
  stage.y = within(stage.y, height, frame.clientHeight);
  stage.pane.style.width = width * scale + "px";
  stage.pane.style.height = height * scale + "px";
  stage.pane.style.transform = "translate(" + (frame.clientWidth / 2 - stage.x * width * scale) + "px," + (frame.clientHeight / 2 - stage.y * height * scale) + "px)";
  frame.classList.toggle("zoomed", stage.zoom > 1);
  stage.scale = scale;
  stage.size = [width, height];
  stage.seams.querySelectorAll("text").forEach(function (text) { text.setAttribute("font-size", 13 / scale); });
}

// Magnifies by a factor; the place under a point of the window stays where it is.
function zoomBy(factor, point) {
  var next = Math.min(MOST_ZOOM, Math.max(1, stage.zoom * factor));
  if (!stage.size || next === stage.zoom) { return; }
  var off = point ? [point[0] - stage.frame.clientWidth / 2, point[1] - stage.frame.clientHeight / 2] : [0, 0];
  var after = stage.scale * next / stage.zoom;
  stage.x += off[0] / stage.size[0] * (1 / stage.scale - 1 / after);
  stage.y += off[1] / stage.size[1] * (1 / stage.scale - 1 / after);
  stage.zoom = next;
  layOut();
  writeAddress();
}

function fitPicture() {
  stage.zoom = 1;
  layOut();
  writeAddress();
}

function panBy(dx, dy) {
  if (!stage.size) { return; }
  stage.x -= dx / (stage.size[0] * stage.scale);
  stage.y -= dy / (stage.size[1] * stage.scale);
  layOut();
  writeAddress();
}

// The seams of a tilt on its picture: solid where they fit, dashed beyond the first limit, short-dashed and heavy beyond the
// second, dotted where they are not measured; the residual beside each.
function drawSeams(at) {
  var tilt = tilts[at], link = links[at], pane = stage.seams, small = thumb(at);
  pane.textContent = "";
  pane.toggleAttribute("hidden", !tilt.seams || !tilt.seams.length || !link.dataset.places || !small);
  if (pane.hasAttribute("hidden")) { return; }
  var scale = +link.dataset.scale, origin = link.dataset.origin.split(" ").map(Number);
  var places = link.dataset.places.split(";").filter(Boolean).map(function (text) { return text.split(" ").map(Number); });
  var width = record.series.width_px, height = record.series.height_px;
  pane.setAttribute("viewBox", "0 0 " + small.getAttribute("width") + " " + small.getAttribute("height"));
  var limits = checks.seam_residual || {};
  function element(name, values, text) {
    var made = document.createElementNS("http://www.w3.org/2000/svg", name);
    Object.keys(values).forEach(function (key) { made.setAttribute(key, values[key]); });
    if (text) { made.textContent = text; }
    pane.appendChild(made);
  }
  tilt.seams.forEach(function (seam) {
    function place(tile) {
      return places[tilt.tiles.findIndex(function (t) { return t.col === tile[0] && t.row === tile[1]; })];
    }
    var a = place(seam.from), b = place(seam.to);
    if (!a || !b) { return; }
    var low = [Math.max(a[0], b[0]), Math.max(a[1], b[1])];
    var high = [Math.min(a[0], b[0]) + width, Math.min(a[1], b[1]) + height];
    var middle = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
    var ends = seam.to[0] > seam.from[0] ? [[middle[0], low[1]], [middle[0], high[1]]] : [[low[0], middle[1]], [high[0], middle[1]]];
    ends = ends.concat([middle]).map(function (p) { return [(p[0] - origin[0]) / scale, (p[1] - origin[1]) / scale]; });
    var residual = seam.residual_rms_px;
    var grade = !given(residual) ? "none" : given(limits.fail) && residual > limits.fail ? "fail" : given(limits.caution) && residual > limits.caution ? "caution" : "good";
    var line = { x1: ends[0][0], y1: ends[0][1], x2: ends[1][0], y2: ends[1][1], "vector-effect": "non-scaling-stroke" };
    element("line", Object.assign({ "class": "edge" }, line));
    element("line", Object.assign({ "class": grade }, line));
    var beside = seam.to[0] > seam.from[0], room = 4 / (stage.scale || 1);
    element("text", { x: ends[2][0] + (beside ? room : 0), y: ends[2][1] - 1.25 * room, "text-anchor": beside ? "start" : "middle" }, given(residual) ? residual.toFixed(2) + " px" : w.script.not_measured);
  });
}

// Flicker: the chosen tilt and its neighbour in turns, slower than three times a second.
function flicker(beside) {
  clearInterval(stage.timer);
  stage.beside = beside;
  document.querySelectorAll("[data-flicker]").forEach(function (one) {
    one.setAttribute("aria-pressed", String(+one.dataset.flicker === beside));
  });
  stage.shown.textContent = "";
  var other = stage.at + beside, turn = false;
  if (beside && thumb(other)) {
    stage.timer = setInterval(function () {
      turn = !turn;
      var now = turn ? other : stage.at;
      show(now);
      stage.seams.style.visibility = turn ? "hidden" : "";
      stage.shown.textContent = angle(tilts[now].tilt_deg);
    }, FLICKER_MS);
  } else {
    stage.seams.style.visibility = "";
  }
}

function stageFollows(at) {
  stage.at = at;
  show(at);
  layOut();
  drawSeams(at);
  layOut();
  flicker(stage.beside);
}

var player = { timer: 0, button: document.getElementById("play"), rate: document.getElementById("rate") };

function play(on) {
  clearInterval(player.timer);
  player.timer = 0;
  player.button.setAttribute("aria-pressed", String(on));
  player.button.textContent = on ? w.script.pause : w.script.play;
  if (on) {
    flicker(0);
    player.timer = setInterval(function () { choose((view.at + 1) % tilts.length); }, 1000 / +player.rate.value);
  } else {
    writeAddress();
    announce();
  }
}

(function () {
  var frame = stage.frame, down = new Map(), start = null;
  function place(event) {
    var box = frame.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }
  function apart() {
    var two = Array.from(down.values());
    return Math.hypot(two[0][0] - two[1][0], two[0][1] - two[1][1]);
  }
  frame.addEventListener("wheel", function (event) {
    if (!event.ctrlKey && stage.zoom === 1) { return; }
    event.preventDefault();
    zoomBy(Math.exp(-event.deltaY / 300), place(event));
  }, { passive: false });
  frame.addEventListener("dblclick", function (event) { zoomBy(2, place(event)); });
  frame.addEventListener("pointerdown", function (event) {
    down.set(event.pointerId, place(event));
    start = down.size === 1 ? place(event) : null;
    try { frame.setPointerCapture(event.pointerId); } catch (gone) { /* the pointer has left meanwhile */ }
  });
  frame.addEventListener("pointermove", function (event) {
    if (!down.has(event.pointerId)) { return; }
    var before = down.get(event.pointerId), was = down.size === 2 ? apart() : 0, now = place(event);
    down.set(event.pointerId, now);
    if (down.size === 2) { zoomBy(apart() / Math.max(was, 1), now); } else if (stage.zoom > 1) { panBy(now[0] - before[0], now[1] - before[1]); }
  });
  function up(event) {
    var end = down.get(event.pointerId);
    down.delete(event.pointerId);
    if (event.type === "pointerup" && start && end && stage.zoom === 1 && Math.abs(end[0] - start[0]) > 40 && Math.abs(end[0] - start[0]) > 2 * Math.abs(end[1] - start[1])) {
      choose(view.at + (end[0] < start[0] ? 1 : -1));
    }
    start = null;
  }
  frame.addEventListener("pointerup", up);
  frame.addEventListener("pointercancel", up);
  window.addEventListener("resize", layOut);
  if (window.ResizeObserver) { new ResizeObserver(layOut).observe(frame); }
  var actions = {
    back: function () { choose(view.at - 1); }, on: function () { choose(view.at + 1); }, play: function () { play(!player.timer); },
    "in": function () { zoomBy(1.5); }, out: function () { zoomBy(1 / 1.5); }, fit: fitPicture,
    before: function () { flicker(stage.beside === -1 ? 0 : -1); writeAddress(); }, after: function () { flicker(stage.beside === 1 ? 0 : 1); writeAddress(); }
  };
  document.querySelectorAll("#viewer [data-do]").forEach(function (one) { one.addEventListener("click", actions[one.dataset["do"]]); });
  player.rate.addEventListener("change", function () { if (player.timer) { play(true); } });
  document.getElementById("show-seams").addEventListener("change", function (event) { stage.seams.style.display = event.target.checked ? "" : "none"; });
})();
