// One tilt is chosen, wherever it is chosen; all else follows. The address holds the view.

var view = { at: -1, address: 0 };
var bench = {
  viewer: document.getElementById("viewer"), angle: document.getElementById("bench-angle"), grade: document.getElementById("bench-grade"),
  figures: document.getElementById("bench-figures"), flags: document.getElementById("bench-flags"), rings: document.getElementById("bench-rings"),
  told: document.getElementById("told")
};
var PAGE_OF_TILTS = 5;

function stripFollows(at) {
  links.forEach(function (link, i) {
    if (i === at) { link.setAttribute("aria-current", "true"); } else { link.removeAttribute("aria-current"); }
    document.getElementById("row-" + i).classList.toggle("here", i === at);
  });
  var strip = document.getElementById("strip");
  strip.scrollLeft = links[at].offsetLeft - strip.offsetLeft - (strip.clientWidth - links[at].clientWidth) / 2;
}

// The spectrum and the rings of the tilt: moved here out of their list, and back when another is chosen.
function ringsFollow(at) {
  var shown = bench.rings.firstElementChild;
  if (shown) { document.getElementById("rings-of-" + shown.dataset.of).appendChild(shown); }
  var home = document.getElementById("rings-of-" + at);
  var next = home && home.querySelector(".focus-tilt");
  bench.rings.hidden = !next;
  if (next) { bench.rings.appendChild(next); }
}

function numbersFollow(at) {
  var tilt = tilts[at];
  bench.angle.textContent = angle(tilt.tilt_deg);
  bench.grade.textContent = "";
  bench.grade.appendChild(shape(tilt.grade));
  var place = fill(w.script.place, at + 1, tilts.length, tilt.order + 1);
  bench.grade.appendChild(document.createTextNode(" " + gradeWord(tilt.grade) + (tilt.exclude ? ", " + w.script.left_out : "") + " · " + place));
  bench.figures.textContent = "";
  tellFigures(bench.figures, BESIDE_THE_PICTURE.reduce(function (all, name) { return all.concat(FIGURES[name](tilt)); }, []));
  bench.flags.textContent = "";
  tilt.flags.forEach(function (flag) {
    var check = checks[flag] || { title: flag, grade: "caution" }, item = document.createElement("li"), link = document.createElement("a");
    item.className = check.grade;
    link.href = "#check-" + flag;
    link.appendChild(shape(check.grade));
    link.appendChild(document.createTextNode(" " + say(check.title)));
    item.appendChild(link);
    bench.flags.appendChild(item);
  });
}

function announce() {
  var tilt = tilts[view.at];
  bench.told.textContent = angle(tilt.tilt_deg) + ", " + gradeWord(tilt.grade) + (tilt.exclude ? ", " + w.script.left_out : "");
}

function choose(at) {
  if (at < 0 || at >= tilts.length || at === view.at) { return; }
  view.at = at;
  [stripFollows, stageFollows, ringsFollow, numbersFollow, plotsFollow].forEach(function (follow) { follow(at); });
  if (!player.timer) {
    announce();
    writeAddress();
  }
}

// #tilt-19, and where the picture is magnified or flickers &zoom=3.00,0.500,0.250 &beside=1. Written a moment later: browsers
// refuse addresses that change too often.
function writeAddress() {
  clearTimeout(view.address);
  if (!view.ready) { return; }
  view.address = setTimeout(function () {
    var text = "#tilt-" + view.at;
    if (stage.zoom > 1) { text += "&zoom=" + [stage.zoom.toFixed(2), stage.x.toFixed(3), stage.y.toFixed(3)].join(","); }
    if (stage.beside) { text += "&beside=" + stage.beside; }
    history.replaceState(null, "", text);
  }, 150);
}

function readAddress() {
  var found = /^#tilt-(\d+)/.exec(location.hash);
  if (!found || +found[1] >= tilts.length) { return false; }
  var zoom = /&zoom=([\d.]+),([\d.]+),([\d.]+)/.exec(location.hash), beside = /&beside=(-?1)/.exec(location.hash);
  stage.zoom = zoom ? Math.min(MOST_ZOOM, Math.max(1, +zoom[1] || 1)) : 1;
  stage.x = zoom ? +zoom[2] : 0.5;
  stage.y = zoom ? +zoom[3] : 0.5;
  stage.beside = beside ? +beside[1] : 0;
  if (+found[1] === view.at) { stageFollows(view.at); } else { choose(+found[1]); }
  return true;
}

document.addEventListener("click", function (event) {
  var link = event.target.closest("a[data-tilt]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) { return; }
  event.preventDefault();
  play(false);
  choose(+link.dataset.tilt);
  if (!link.closest("#strip")) { bench.viewer.scrollIntoView({ block: "nearest" }); }
});

// A link to a tilt that the keyboard rests on tells its values as the pointer would over a plot.
document.addEventListener("focusin", function (event) {
  var link = event.target.closest && event.target.closest("a[data-tilt]");
  plots.forEach(function (plot) {
    plot.over.setAttribute("visibility", "hidden");
    if (link) { put(plot.over, plot.axis.ends(tilts[+link.dataset.tilt].tilt_deg)); }
    tellAbove(plot, link ? +link.dataset.tilt : view.at);
  });
});

document.addEventListener("keydown", function (event) {
  if (event.altKey || event.ctrlKey || event.metaKey || /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName)) { return; }
  var inside = event.target.closest && event.target.closest("#viewer, #strip");
  if (event.target.closest && event.target.closest(".scroll[tabindex]") && !inside) { return; }
  var to = { ArrowRight: view.at + 1, ArrowLeft: view.at - 1 }[event.key];
  if (inside) {
    to = { PageDown: view.at + PAGE_OF_TILTS, PageUp: view.at - PAGE_OF_TILTS, Home: 0, End: tilts.length - 1 }[event.key] || (event.key === "Home" ? 0 : to);
    var action = { "+": "in", "=": "in", "-": "out", "0": "fit", p: "play", "[": "before", "]": "after" }[event.key];
    if (action) { document.querySelector("#viewer [data-do='" + action + "']").click(); }
    if (stage.zoom > 1 && event.target === stage.frame) {
      var pan = { ArrowRight: [-40, 0], ArrowLeft: [40, 0], ArrowUp: [0, 40], ArrowDown: [0, -40] }[event.key];
      if (pan) {
        event.preventDefault();
        panBy(pan[0], pan[1]);
        return;
      }
    }
  }
  if (to === undefined) { return; }
  event.preventDefault();
  play(false);
  choose(Math.max(0, Math.min(tilts.length - 1, to)));
  if (inside && inside.id === "strip") { links[view.at].focus({ preventScroll: true }); }
});

window.addEventListener("hashchange", readAddress);

document.documentElement.classList.add("live");
bench.viewer.hidden = false;
(function () {
  var first = 0;
  tilts.forEach(function (tilt, i) { if (Math.abs(tilt.tilt_deg) < Math.abs(tilts[first].tilt_deg)) { first = i; } });
  if (!readAddress()) { choose(first); }
  view.ready = true;
})();
